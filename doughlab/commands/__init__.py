"""The commands: thin functions over the doors of the rooms, one module per command.

Each module has `add_arguments(parser)` and `run(args) -> Outcome`; `cli` finds, calls, prints them.
Nothing here calculates; a command says what it read, found and wrote, and what to do next.
"""
