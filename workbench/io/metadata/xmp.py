"""The XMP packet (ISO 16684-1) that carries recipe, record and what is known of a picture inside the file.

Our own properties lie in one namespace. Camera facts are repeated in the standard ``exif`` and ``tiff`` namespaces
for other programs; a sky solution goes into the Astronomy Visualization Metadata standard's FITS header property
(Hurt et al., AVM 1.2: rows counted from the bottom, as in FITS).

Long texts are packed (zlib, base64) so that a packet stays small; ``parse`` unpacks them within a limit.
"""

from __future__ import annotations

import base64
import json
import re
import zlib
from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING, Any
from xml.etree import ElementTree as ET
from xml.sax.saxutils import escape, quoteattr

from workbench.acquisition import Acquisition, Tone
from workbench.errors import WorkbenchError
from workbench.io.limits import STANDARD, Limits
from workbench.io.metadata import headers, sky_solution

if TYPE_CHECKING:
    from astropy.wcs import WCS

__all__ = ["Carried", "packet", "parse"]

NAMESPACE = "urn:post-stack-workbench:xmp:1:"
_SPACES = {
    "rdf": "http://www.w3.org/1999/02/22-rdf-syntax-ns#",
    "xmp": "http://ns.adobe.com/xap/1.0/",
    "exif": "http://ns.adobe.com/exif/1.0/",
    "tiff": "http://ns.adobe.com/tiff/1.0/",
    "Iptc4xmpCore": "http://iptc.org/std/Iptc4xmpCore/1.0/xmlns/",
    "avm": "http://www.communicatingastronomy.org/avm/1.0/",
    "psw": NAMESPACE,
}
_CREATOR = "post-stack workbench"
#: Texts longer than this are packed.
_PLAIN = 16_384
_ILLEGAL = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\ud800-\udfff\ufffe\uffff]")  # XML 1.0, production 2


@dataclass(frozen=True, slots=True)
class Carried:
    """What travels inside a file beside its pixels."""

    recipe: str | None = None
    record: str | None = None
    tone: Tone | None = None
    white_level: float | None = None
    acquisition: Acquisition | None = None
    unread: str = ""  #: why a packet was left, as a remark
    alt_text: str | None = None  #: what the picture shows, for who cannot see it (IPTC Photo Metadata 2021.1)
    sky_header: str | None = None  #: FITS cards of the sky solution, rows counted from the bottom

    def sky_solution(self, height: int) -> WCS | None:
        """The sky solution of a frame of ``height`` rows, counted from the top; None where there is none.

        Parameters
        ----------
        height : int

        Returns
        -------
        astropy.wcs.WCS or None
        """
        return sky_solution.from_cards(self.sky_header, height) if self.sky_header else None


def packet(carried: Carried, *, only: frozenset[str] | None = None, note: str | None = None) -> bytes:
    """Write an XMP packet.

    Parameters
    ----------
    carried : Carried
    only : set of str, optional
        Names of the texts to write (``recipe``, ``record``, ``facts``); all by default.
    note : str, optional
        Digest of the extended packet that holds the rest (JPEG).

    Returns
    -------
    bytes
    """
    wanted = only if only is not None else frozenset(("recipe", "record", "facts"))
    lines: list[str] = []
    for name in ("recipe", "record"):
        text = getattr(carried, name)
        if text is not None and name in wanted:
            lines.append(_text_property(name, text))
    if "facts" in wanted:
        lines.extend(_facts(carried))
    if note:
        lines.append(f'<n:HasExtendedXMP xmlns:n="http://ns.adobe.com/xmp/note/">{note}</n:HasExtendedXMP>')
    spaces = " ".join(f"xmlns:{prefix}={quoteattr(uri)}" for prefix, uri in _SPACES.items() if prefix != "rdf")
    body = "\n".join(lines)
    return (
        '<?xpacket begin="\ufeff" id="W5M0MpCehiHzreSzNTczkc9d"?>\n'
        '<x:xmpmeta xmlns:x="adobe:ns:meta/">\n'
        f'<rdf:RDF xmlns:rdf="{_SPACES["rdf"]}">\n<rdf:Description rdf:about="" {spaces}>\n{body}\n'
        '</rdf:Description>\n</rdf:RDF>\n</x:xmpmeta>\n<?xpacket end="r"?>'
    ).encode()


def _facts(carried: Carried) -> list[str]:
    lines = [f"<xmp:CreatorTool>{_CREATOR}</xmp:CreatorTool>"]
    if carried.tone is not None:
        lines.append(f"<psw:tone>{carried.tone.value}</psw:tone>")
    if carried.white_level is not None:
        lines.append(f"<psw:whiteLevel>{carried.white_level!r}</psw:whiteLevel>")
    known = carried.acquisition.to_dict() if carried.acquisition else {}
    if known:
        lines.append(_text_property("acquisition", json.dumps(known, ensure_ascii=False)))
        lines.extend(_standard(known))
    if carried.alt_text:
        alt = f'<rdf:Alt><rdf:li xml:lang="x-default">{_xml(carried.alt_text)}</rdf:li></rdf:Alt>'
        lines.append(f"<Iptc4xmpCore:AltTextAccessibility>{alt}</Iptc4xmpCore:AltTextAccessibility>")
    if carried.sky_header:
        lines.append("<avm:MetadataVersion>1.2</avm:MetadataVersion>")
        lines.append(f"<avm:Spatial.FITSheader>{_xml(carried.sky_header)}</avm:Spatial.FITSheader>")
    return lines


def _standard(known: dict[str, Any]) -> list[str]:
    """Camera facts in the standard namespaces (Exif for XMP, CIPA DC-010)."""
    lines = []
    for name, key in (("exif:ExposureTime", "exposure_s"), ("exif:FNumber", "f_number")):
        if key in known:
            lines.append(f"<{name}>{_rational(known[key])}</{name}>")
    if "focal_length_mm" in known:
        lines.append(f"<exif:FocalLength>{_rational(known['focal_length_mm'])}</exif:FocalLength>")
    if "iso" in known:
        iso = round(known["iso"])
        lines.append(f"<exif:ISOSpeedRatings><rdf:Seq><rdf:li>{iso}</rdf:li></rdf:Seq></exif:ISOSpeedRatings>")
    if "date" in known:
        lines.append(f"<exif:DateTimeOriginal>{_xml(known['date'])}</exif:DateTimeOriginal>")
    if "camera" in known:
        lines.append(f"<tiff:Model>{_xml(known['camera'])}</tiff:Model>")
    return lines


def _rational(value: float) -> str:
    fraction = Fraction(value).limit_denominator(100_000)
    return f"{fraction.numerator}/{fraction.denominator}"


def _xml(text: str) -> str:
    """Text as XML; characters that XML cannot hold become the replacement character."""
    return escape(_ILLEGAL.sub("\ufffd", text), {"\r": "&#13;"})


def _text_property(name: str, text: str) -> str:
    if len(text) > _PLAIN or _ILLEGAL.search(text):
        packed = base64.b64encode(zlib.compress(text.encode("utf-8", "surrogatepass"), 1)).decode()
        return f"<psw:{name}Packed>{packed}</psw:{name}Packed>"
    return f"<psw:{name}>{_xml(text)}</psw:{name}>"


def parse(data: bytes | None, limits: Limits = STANDARD) -> Carried:
    """Read a packet; what is damaged, foreign, missing or beyond the limits is left out.

    Parameters
    ----------
    data : bytes or None
    limits : Limits

    Returns
    -------
    Carried
    """
    if data and len(data) > limits.text_bytes:
        return Carried(unread=f"its XMP packet has over {limits.text_bytes / 1e6:.0f} MB and was not read")
    if data and data.count(b"<") > 2 * limits.text_elements:
        return Carried(unread=f"its XMP packet has over {limits.text_elements} elements and was not read")
    if not data or b"<!DOCTYPE" in data or b"<!ENTITY" in data:  # entities could explode, and XMP has none
        return Carried()
    start, end = data.find(b"<x:xmpmeta"), data.rfind(b"</x:xmpmeta>")
    if start < 0 or end < 0:
        return Carried()
    try:
        tree = ET.fromstring(data[start : end + len(b"</x:xmpmeta>")])  # noqa: S314 - entities refused above
    except (ET.ParseError, ValueError, LookupError, RecursionError):
        return Carried()
    found: dict[str, str] = {}
    for description in tree.iter(f"{{{_SPACES['rdf']}}}Description"):
        found |= description.attrib  # a program that rewrote the packet may have made attributes of elements
        found |= {child.tag: child.text or "" for child in description}
    return _carried(found, limits)


def _carried(found: dict[str, str], limits: Limits) -> Carried:
    tone = found.get(f"{{{NAMESPACE}}}tone", "").strip()
    acquisition = None
    try:
        if text := _text(found, "acquisition", limits):
            acquisition = headers.checked_acquisition(json.loads(text))
    except (ValueError, AttributeError, RecursionError, WorkbenchError):
        acquisition = None
    white = None
    try:
        white = float(found.get(f"{{{NAMESPACE}}}whiteLevel", ""))
    except ValueError:
        white = None
    return Carried(
        recipe=_text(found, "recipe", limits),
        record=_text(found, "record", limits),
        tone=Tone(tone) if tone in {t.value for t in Tone} else None,
        white_level=white if white is not None and 0 < white < float("inf") else None,
        acquisition=acquisition,
        sky_header=found.get(f"{{{_SPACES['avm']}}}Spatial.FITSheader"),
    )


def _text(found: dict[str, str], name: str, limits: Limits) -> str | None:
    packed = found.get(f"{{{NAMESPACE}}}{name}Packed")
    if packed is None:
        return found.get(f"{{{NAMESPACE}}}{name}")
    try:
        unpacker = zlib.decompressobj()
        data = unpacker.decompress(base64.b64decode(packed), limits.text_bytes)
        return data.decode("utf-8", "surrogatepass") if unpacker.eof else None
    except (ValueError, zlib.error):
        return None
