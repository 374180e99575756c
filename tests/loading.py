"""A script, a study or a kitchen of the tests as a module: pytest's import mode has no path."""

import importlib.util
import sys
from pathlib import Path
from types import ModuleType


def load_script(path: Path) -> ModuleType:
    """Run the file once for each process; the same module however often it is asked for."""
    name = f"doughlab_tests_{path.stem}"
    if name not in sys.modules:
        spec = importlib.util.spec_from_file_location(name, path)
        module = importlib.util.module_from_spec(spec)
        sys.modules[name] = module  # its dataclasses look their own module up
        spec.loader.exec_module(module)
    return sys.modules[name]
