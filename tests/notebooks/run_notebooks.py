"""Runs every notebook through Jupyter's kernel protocol and fails when a cell does.

    python run_notebooks.py                 run all, write nothing
    python run_notebooks.py --write         run all and write the outputs into the notebooks
    python run_notebooks.py 00 06           only notebooks whose names start so
    python run_notebooks.py --self-test     show that this runner finds what it is there to find

The Deno kernel can say "idle" before an output has left; plain runners then lose it. This one waits until nothing more
arrives. It builds on one private method of nbclient and says so when that is gone.
"""
import json
import re
import sys
import time
from pathlib import Path

import nbformat
from nbclient import NotebookClient
from nbclient.exceptions import CellExecutionError

FOLDER = Path(__file__).resolve().parents[2] / "notebooks"
QUIET_SECONDS = 0.05
LOCAL_PATH = re.compile(r"file:///|(?<![\w/])/(?:home|root|work|tmp|Users|opt)/|[A-Z]:\\\\")

if not hasattr(NotebookClient, "_async_poll_output_msg"):
    sys.exit("run_notebooks: this nbclient lacks _async_poll_output_msg; install the version in lab_requirements.txt")


class PatientClient(NotebookClient):
    async def _async_poll_output_msg(self, parent_msg_id, cell, cell_index):
        self._parent = parent_msg_id
        return await super()._async_poll_output_msg(parent_msg_id, cell, cell_index)

    async def async_execute_cell(self, cell, cell_index, **options):
        done = await super().async_execute_cell(cell, cell_index, **options)
        until = time.time() + QUIET_SECONDS
        while cell.cell_type == "code" and time.time() < until:
            try:
                message = await self.kc.get_iopub_msg(timeout=0.02)
            except Exception:
                continue
            if message["parent_header"].get("msg_id") == self._parent and message["msg_type"] != "status":
                self.process_message(message, cell, cell_index)
                until = time.time() + QUIET_SECONDS
        return done


def settle(notebook):
    """Takes out what differs from run to run or from machine to machine."""
    notebook.metadata.pop("language_info", None)
    for cell in notebook.cells:
        cell.metadata.pop("execution", None)
        if cell.cell_type == "markdown":
            # `deno fmt --check` takes a markdown cell without a last line end for unformatted
            cell.source = cell.source.rstrip("\n") + "\n"
        for output in cell.get("outputs", []):
            output.pop("transient", None)
            output.get("metadata", {}).pop("transient", None)


def local_paths(notebook):
    for index, cell in enumerate(notebook.cells):
        for output in cell.get("outputs", []):
            data = {k: v for k, v in output.get("data", {}).items() if not k.startswith("image/")}
            text = json.dumps([output.get("text", ""), data])
            if LOCAL_PATH.search(text):
                yield index


def execute(notebook, name):
    """Runs a notebook in place and says what is wrong with it; None when nothing is."""
    client = PatientClient(notebook, timeout=600, kernel_name="faintlight", resources={"metadata": {"path": str(FOLDER)}})
    try:
        client.execute()
    except CellExecutionError as error:
        return str(error)
    settle(notebook)
    paths = list(local_paths(notebook))
    return f"cells {paths} print a path of this machine" if paths else None


def run(path, write):
    notebook = nbformat.read(path, as_version=4)
    began = time.time()
    problem = execute(notebook, path.name)
    if problem is not None:
        print(f"{path.name}: FAILED, {problem}", flush=True)
        return False
    if write:
        nbformat.write(notebook, path)
    print(f"{path.name}: ok in {time.time() - began:.1f} s", flush=True)
    return True


SMALL = {
    "a sound notebook": (None, ['import { youShouldSee } from "faintlight";', 'youShouldSee("two", 1 + 1, 2, 0);']),
    "an error in a cell": ("no such thing", ['throw new RangeError("no such thing");']),
    "a syntax error": ("", ["const = 3;"]),
    "a number that does not come out": (
        "must be 3",
        ['import { youShouldSee } from "faintlight";', 'youShouldSee("two", 1 + 1, 3, 0);'],
    ),
    "a path of the machine": ("cells [0]", ['console.log("/home/" + "someone/night");']),
}


def self_test():
    """The runner must fail where a notebook is wrong, and must not lose an output that comes late."""
    wrong = []
    for what, (expected, sources) in SMALL.items():
        notebook = nbformat.v4.new_notebook(cells=[nbformat.v4.new_code_cell(source) for source in sources])
        problem = execute(notebook, what)
        right = problem is None if expected is None else problem is not None and expected in problem
        print(f"{what}: {'found as it should be' if right else f'WRONG, {problem}'}", flush=True)
        wrong += [] if right else [what]
    # a display that nobody waits for arrives after the kernel has said idle more often than not
    late = ['void Deno.jupyter.display({ "text/plain": "late" }, { raw: true });'] * 20
    notebook = nbformat.v4.new_notebook(cells=[nbformat.v4.new_code_cell(source) for source in late])
    problem = execute(notebook, "late outputs")
    kept = sum("late" in json.dumps(cell.outputs) for cell in notebook.cells)
    print(f"late outputs: {kept} of {len(late)} kept", flush=True)
    if problem is not None or kept < len(late):
        wrong.append("late outputs")
    sys.exit(f"the runner failed at: {', '.join(wrong)}" if wrong else 0)


def main():
    words = sys.argv[1:]
    if "--self-test" in words:
        self_test()
    write = "--write" in words
    starts = [word for word in words if not word.startswith("--")]
    paths = [p for p in sorted(FOLDER.glob("*.ipynb")) if not starts or any(p.name.startswith(s) for s in starts)]
    if not paths:
        sys.exit("run_notebooks: no notebook found")
    results = [run(path, write) for path in paths]
    print(f"{sum(results)} notebooks passed, {len(results) - sum(results)} failed")
    sys.exit(0 if all(results) else 1)


main()
