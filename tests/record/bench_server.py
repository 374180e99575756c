"""A bench server in a process of its own, for the tests that kill it, attack it and look at it."""

import json
import os
import signal
import subprocess
import sys
import time
import urllib.error
import urllib.request


class Server:
    """Starts `doughlab bench`, knows its address, stops or kills it."""

    def __init__(self, folder, *, port=0, limit_bytes=None):
        self.folder, self.port, self.limit_bytes = folder, port, limit_bytes
        self.process, self.url = None, ""

    def start(self):
        """Start and wait for the address."""
        command = [sys.executable, "-m", "doughlab", "bench", str(self.folder), "--json"]
        command += ["--port", str(self.port)]
        if self.limit_bytes is not None:  # every file that it writes may grow to this size only
            script = (
                "import resource, runpy, signal, sys;"
                "signal.signal(signal.SIGXFSZ, signal.SIG_IGN);"
                f"resource.setrlimit(resource.RLIMIT_FSIZE, ({self.limit_bytes},) * 2);"
                f"sys.argv = {['doughlab', *command[3:]]!r}; runpy.run_module('doughlab', "
                "run_name='__main__')"
            )
            command = [sys.executable, "-c", script]
        environment = {**os.environ, "OPENBLAS_NUM_THREADS": "1", "PYTHONUNBUFFERED": "1"}
        self.process = subprocess.Popen(
            command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=environment
        )
        line = self.process.stdout.readline()
        if not line:
            raise AssertionError(self.process.stderr.read())
        self.url = json.loads(line)["urls"][0]
        self.port = int(self.url.split(":")[2].split("/")[0])
        return self

    @property
    def origin(self):
        """Where the page comes from."""
        return f"http://127.0.0.1:{self.port}"

    def kill(self):
        """Stop it without a word, as a power cut does."""
        self.process.send_signal(signal.SIGKILL)
        self.process.wait()
        self.process.stdout.close()
        self.process.stderr.close()

    def stop(self):
        """Stop it as Ctrl-C does; give what it said."""
        self.process.send_signal(signal.SIGINT)
        out, err = self.process.communicate(timeout=20)
        return self.process.returncode, out, err

    def ask(self, path, data=None, **headers):
        """Send a request; give status, headers and body."""
        given = {"Origin": self.origin} if data is not None else {}
        given |= {k.replace("_", "-"): v for k, v in headers.items()}
        given = {k: v for k, v in given.items() if v is not None}
        url = path if path.startswith("http") else self.url + path
        request = urllib.request.Request(url, data=data, headers=given)
        try:
            with urllib.request.urlopen(request, timeout=20) as answer:
                return answer.status, dict(answer.headers), answer.read()
        except urllib.error.HTTPError as error:
            return error.code, dict(error.headers), error.read()

    def send(self, *entries, **headers):
        """Send entries; give their results."""
        data = json.dumps({"entries": entries}).encode()
        status, _, body = self.ask("entries", data, **headers)
        assert status == 200, body
        return json.loads(body)["results"]


def entry(name, *, action="temperature", about="cooler", at="2026-03-04T10:00:00+01:00", **values):
    """One entry as the page sends it."""
    return {"id": name, "action": action, "about": about, "at": at, "by": "ada",
            "values": values or {"temp_c": "3.6"}, "session": ""}  # fmt: skip


def wait_until(met, seconds=20.0):
    """Wait for something to become true; long, since other work may keep the machine busy."""
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        if met():
            return True
        time.sleep(0.05)
    return met()
