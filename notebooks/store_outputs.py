"""Run the notebooks and store what they show, for whoever reads them where nothing runs: a code host, the documentation.

    python notebooks/store_outputs.py             # all of them
    python notebooks/store_outputs.py 03 05       # those whose names begin so

Each is run from top to bottom in a kernel of its own, in an empty folder. Photographs are stored as JPEG and charts as
PNG, whichever is smaller, so that all notebooks together stay below `MOST_BYTES`. Notes that are printed beside
(progress, warnings) and live widgets are not stored. On one machine the same notebook gives the same bytes; numbers
differ from one machine and one version to the next, so the tests compare the stored outputs with those of a run by
their `form` only.
"""

import base64
import os
import sys
import tempfile
from copy import deepcopy
from pathlib import Path

import cv2
import nbformat
import numpy as np
from nbclient import NotebookClient

HERE = Path(__file__).parent
#: All notebooks with what they show.
MOST_BYTES = 3_000_000
_JPEG_QUALITY = 80
_WIDGET = "application/vnd.jupyter.widget-view+json"
#: What the kernels are told.
ENVIRONMENT = {
    "MPLBACKEND": "module://matplotlib_inline.backend_inline",
    "PYDEVD_DISABLE_FILE_VALIDATION": "1",  # or the kernel's debugger warns about frozen modules
    "PYTHONWARNINGS": "ignore::DeprecationWarning",
    "WORKBENCH_UNPREPARED": "1",  # what is said while steps are compiled for the first time is not stored
}


def stored(book):
    """A notebook that has been run, with only those outputs that are stored."""
    book = deepcopy(book)
    count = 0
    for cell in book.cells:
        cell.metadata = {}
        if cell.cell_type == "code":
            count += 1
            cell.execution_count = count
            cell.outputs = [kept for output in cell.outputs if (kept := _stored(output, count))]
    book.metadata.pop("widgets", None)
    book.metadata["language_info"] = {
        "name": "python"
    }  # what else the kernel tells hangs on the machine
    return book


def _stored(output, count):
    if output.output_type == "stream":
        return output if output.name == "stdout" else None
    output.metadata = {}
    widget = output.data.pop(_WIDGET, None)
    if output.output_type == "execute_result":
        output.execution_count = count
    elif widget:
        return None
    if "text/html" in output.data:
        output.data.pop("text/plain", None)  # it is long, and names files of this machine
    if png := output.data.pop("image/png", None):
        kind, data = _smaller(base64.b64decode(png))
        output.data[kind] = base64.b64encode(data).decode() + "\n"
    return output


def _smaller(png):
    """A picture as PNG or as JPEG, whichever is smaller."""
    pixels = cv2.imdecode(np.frombuffer(png, np.uint8), cv2.IMREAD_COLOR)
    _, jpeg = cv2.imencode(
        ".jpg", pixels, [cv2.IMWRITE_JPEG_QUALITY, _JPEG_QUALITY, cv2.IMWRITE_JPEG_OPTIMIZE, 1]
    )
    return ("image/jpeg", jpeg.tobytes()) if len(jpeg) < len(png) else ("image/png", png)


def form(book):
    """What each cell shows, by kind: equal where the outputs are those of the code."""
    return [
        [_kinds(output) for output in cell.outputs]
        for cell in book.cells
        if cell.cell_type == "code"
    ]


def _kinds(output):
    if output.output_type == "stream":
        return output.name
    return output.output_type, sorted({kind.replace("jpeg", "png") for kind in output.data})


def main():
    for path in sorted(HERE.glob("*.ipynb")):
        if len(sys.argv) > 1 and not path.name.startswith(tuple(sys.argv[1:])):
            continue
        book = nbformat.read(path, as_version=4)
        with tempfile.TemporaryDirectory() as folder:
            os.environ |= ENVIRONMENT | {"IPYTHONDIR": folder, "XDG_STATE_HOME": folder}
            where = {"metadata": {"path": tempfile.mkdtemp(dir=folder)}}
            options = {
                "coalesce_streams": True,
                "store_widget_state": False,
                "resources": where,
            }
            NotebookClient(book, kernel_name="python3", **options).execute()
        nbformat.write(stored(book), path)
        print(f"{path.name}: {path.stat().st_size / 1000:.0f} kB")
    size = sum(path.stat().st_size for path in HERE.glob("*.ipynb"))
    print(f"together {size / 1e6:.2f} MB of at most {MOST_BYTES / 1e6:g}")
    return int(size > MOST_BYTES)


if __name__ == "__main__":
    raise SystemExit(main())
