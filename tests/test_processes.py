"""How a process ends that has left work to itself."""

import subprocess
import sys

import pytest

# As in a night whose object store fell silent: pieces wait in a pool, for ever.
LEFT = """
import sys, threading, time
from concurrent.futures import ThreadPoolExecutor
from pipeline.cli import command
from pipeline.processes import give_up

def wait_for_ever():
    with ThreadPoolExecutor(1) as pool:
        pool.submit(begun.set)
        pool.submit(threading.Event().wait)

begun = threading.Event()
work = threading.Thread(target=wait_for_ever, daemon=True)
work.start()
begun.wait()
give_up(work)
sys.argv = ["percolog", *{arguments}]
command()
"""


@pytest.mark.parametrize(("arguments", "code"), [(["--version"], 0), (["nonsense"], 2)])
def test_a_command_ends_though_the_pool_of_work_given_up_waits_for_ever(arguments, code):
    source = LEFT.format(arguments=arguments)
    shown = subprocess.run(
        [sys.executable, "-c", source], capture_output=True, text=True, timeout=60
    )
    assert shown.returncode == code
    assert shown.stdout.startswith("percolog ") or "No such command" in shown.stderr
