"""Image files: read into a float32 frame and facts, written whole or not at all.

`decode` reads TIFF, FITS, PNG, JPEG and Zarr; `encode` writes them; `embedded` gives back the recipe and the record
that a file carries; `atomic_write` and `write_text` make files that appear whole or not at all, and `checked_output`
tells beforehand whether they can.

Which value is white (becomes 1.0)
    1. ``white_level=`` of the caller.
    2. What the file states: the DNG tag WhiteLevel in a TIFF, our header word WHITELEV in FITS, our XMP property.
    3. Integers: the largest value of their type (255, 65535, ...; 2 ** bits - 1 of the bits really used).
    4. Floats: the first of 1, 255, 4095, 16383, 65535 that the stack keeps to: fewer than one sample in 100 000 above
       4 x 1, or above 1.25 x the others. Above them all, the brightest sample.

    `Source.white_level` and `Source.white_rule` record the choice.

Samples without a value
    NaN and infinities are counted (`Source.invalid`); their pixels get coverage 0, and the samples themselves the
    median of their plane's covered pixels, so that filters nearby see a plausible number. Negative values are kept.

Rows
    A TIFF is turned upright by its orientation tag. The first row of a FITS image is the lowest, as the standard
    recommends, unless its header says ROWORDER = 'TOP-DOWN' (common practice); ``rows=`` overrules both. The sky
    solution is turned with the rows.

Linear or not
    What the caller or the file states, or the format implies (JPEG). Where nothing decides, `Decoded.tone` is None and
    `workbench.stack.read` asks the stars (`workbench.measure.linearity`). ``tone=`` overrules.
"""

from workbench.io.atomic import atomic_write, checked_output, writable, write_text
from workbench.io.decoding import Decoded, ToneClaims, decode, embedded
from workbench.io.encoding import encode, encoded_size
from workbench.io.formats import FORMATS, SUFFIXES, Embedded, checked_image, format_of
from workbench.io.limits import Limits
from workbench.io.source_file import file_digest

__all__ = [
    "FORMATS",
    "SUFFIXES",
    "Decoded",
    "Embedded",
    "Limits",
    "ToneClaims",
    "atomic_write",
    "checked_image",
    "checked_output",
    "decode",
    "embedded",
    "encode",
    "encoded_size",
    "file_digest",
    "format_of",
    "writable",
    "write_text",
]
