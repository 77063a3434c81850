"""Image files: read into a float32 frame and facts, written whole or not at all."""

from workbench.io.carried import Embedded, embedded
from workbench.io.decoded import Decoded
from workbench.io.files import atomic_write, write_text
from workbench.io.reading import decode
from workbench.io.writing import encode

__all__ = ["Decoded", "Embedded", "atomic_write", "decode", "embedded", "encode", "write_text"]
