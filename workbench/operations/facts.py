"""What an operation finds in a frame, as typed data: the base of all facts.

An operation that measures declares a model of its facts::

    class GlowFacts(Facts):
        \"\"\"The glow of a lamp near the frame.\"\"\"

        peak: Real = Field(description="Brightest value of the glow", json_schema_extra={"unit": "of white"})
        sky: tuple[Real, ...] = Field(
            description="Sky level by channel", json_schema_extra={"unit": "of white", "shape": ["channels"]}
        )
        rows: Annotated[NDArray[np.float64], Array("<f8", "places")] = Field(
            description="Rows where it was sampled", json_schema_extra={"unit": "px"}
        )

Dimensions with the same name must agree, and ``channels`` must be those of the frame. Values are brought to their
declared form when the model is made, so what is written to a file and read again is the same to the last bit.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, ClassVar

from pydantic import Field

from workbench.errors import WorkbenchError
from workbench.operations.fact_parts import LARGEST, Array, FactsPart, Real
from workbench.operations.mask_facts import MaskFacts

if TYPE_CHECKING:
    from workbench.operations.base import Geometry

__all__ = ["LARGEST", "Array", "Facts", "FactsPart", "Real"]


class Facts(FactsPart):
    """What a step found in a frame; an operation that measures declares a model of its own.

    Every field needs ``description`` and, in ``json_schema_extra``, ``unit`` and ``shape`` (names or lengths of the
    dimensions) where it has them. Positions and lengths are full-resolution pixels. When a new form of the model cannot
    be read as the old one was, raise ``version`` and add a migration to `workbench.recipe.facts`.
    """

    version: ClassVar[int] = 1

    doubts: tuple[str, ...] = Field(
        (), max_length=20, description="What the measurement is not sure about, a sentence each; shown with the step"
    )
    mask: tuple[MaskFacts, ...] = Field(
        (),
        max_length=100,
        exclude_if=lambda parts: not parts,
        description="What the step's mask measured of the light, part by part",
    )

    def fits(self, geometry: Geometry) -> None:
        """Raise WorkbenchError with one sentence where the facts cannot belong to a frame of ``geometry``.

        Parameters
        ----------
        geometry : Geometry
            The frame that the step works on.

        Raises
        ------
        WorkbenchError
            In one sentence, when they cannot.
        """
        channels, field = self.dimensions().get("channels", (geometry.channels, ""))
        if channels != geometry.channels:
            raise WorkbenchError(
                f"{field!r} has {channels} channel{'s' * (channels != 1)}, but the frame has {geometry.channels}"
            )

    def to_data(self) -> dict[str, Any]:
        """The facts as a record holds them: plain data with the model's version."""
        return {"version": self.version, **self.model_dump(mode="json")}
