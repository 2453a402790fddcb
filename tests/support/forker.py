"""Run many commands quickly: the program is loaded once, and each command is a fork of that.

Reads one case a line on standard input, as JSON: argv, folder, setup, limit_s. Answers one line:
code (None where it had to be killed), out, err, seconds.
"""

import json
import os
import signal
import sys
import tempfile
import time

os.environ["OPENBLAS_NUM_THREADS"] = "1"
# Loaded here, so that each fork has them already.
import importlib
import pkgutil

import cv2

import jarvision

for module in pkgutil.walk_packages(jarvision.__path__, "jarvision."):
    if not module.name.endswith("__main__"):
        importlib.import_module(module.name)
for name in ("icalendar", "reportlab.pdfgen.canvas", "rich.console", "rich.table", "rich.progress",
             "scipy.optimize", "pillow_heif", "typer.rich_utils"):  # fmt: skip
    importlib.import_module(name)


from jarvision.cli import main  # noqa: E402

cv2.setNumThreads(1)


def run(case, out, err):
    os.setsid()
    os.dup2(out, 1)
    os.dup2(err, 2)
    os.chdir(case["folder"])
    exec(case["setup"], {})
    sys.argv = ["jarvision", *case["argv"]]
    code = 99
    try:
        main()
    except SystemExit as end:
        code = end.code if isinstance(end.code, int) else 98
    except BaseException:
        import traceback

        traceback.print_exc()
    finally:
        try:
            sys.stdout.flush()
            sys.stderr.flush()
        finally:
            os._exit(code)


def text_of(file):
    file.seek(0)
    return file.read().decode("utf-8", "replace")


for line in sys.stdin:
    case = json.loads(line)
    with tempfile.TemporaryFile() as out, tempfile.TemporaryFile() as err:
        begin = time.monotonic()
        child = os.fork()
        if child == 0:
            run(case, out.fileno(), err.fileno())
        done = 0
        while not done and time.monotonic() - begin < case["limit_s"]:
            done, status = os.waitpid(child, os.WNOHANG)
            time.sleep(0.002)
        if not done:
            os.killpg(child, signal.SIGKILL)
            _, status = os.waitpid(child, 0)
        code = os.waitstatus_to_exitcode(status) if done else None
        answer = {"code": code, "out": text_of(out), "err": text_of(err)}
        print(json.dumps(answer | {"seconds": time.monotonic() - begin}), flush=True)
