"""Unpack one image of a file and write its samples to standard output: run as a process of its own.

``python -P unpack.py FORMAT FILE INDEX MEMORY``: the image of a FITS unit or of a TIFF page. The first line is the
sample type in numpy's short form, the samples follow in C order. It imports nothing of the project, so that it starts
quickly, and takes no more than MEMORY bytes of address space.
"""

from __future__ import annotations

import gzip
import sys
import warnings
from pathlib import Path


def _limit_memory(most: int) -> None:
    try:
        import resource  # noqa: PLC0415 - not on Windows
    except ImportError:
        return
    soft, hard = resource.getrlimit(resource.RLIMIT_AS)
    most = min(n for n in (most, soft, hard) if n != resource.RLIM_INFINITY)
    resource.setrlimit(resource.RLIMIT_AS, (most, hard))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))


def main(kind: str, path: Path, index: int, most: int) -> None:
    """Write the samples of a unit or a page of a file."""
    _limit_memory(most)
    import numpy as np  # noqa: PLC0415 - under the limit

    warnings.simplefilter("ignore")
    if kind == "TIFF":
        import tifffile  # noqa: PLC0415 - a second for the other kind

        with tifffile.TiffFile(path) as pages:
            data = np.ascontiguousarray(pages.pages[index].asarray())
    else:
        from astropy.io import fits  # noqa: PLC0415 - likewise

        with path.open("rb") as plain:
            packed = plain.read(2) == b"\x1f\x8b"
        with (gzip.open if packed else open)(path, "rb") as file, fits.open(file, memmap=False) as found:
            data = np.ascontiguousarray(found[index].data)
    sys.stdout.buffer.write(data.dtype.str.encode() + b"\n")
    sys.stdout.buffer.write(data.data)


if __name__ == "__main__":
    main(sys.argv[1], Path(sys.argv[2]), int(sys.argv[3]), int(sys.argv[4]))
