"""What one output of a picture is like, as data in the recipe."""

from __future__ import annotations

from typing import Literal, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

__all__ = ["PRESETS", "Output"]


#: What other files beside a picture are named: the picture itself, and its layers.
_TAKEN = {"picture", "starless", "stars"}


class Output(BaseModel):
    """A file of the finished picture for one purpose: its size, border, caption, color space and format.

    Give either ``long_side`` in pixels, for screens, or ``width_cm`` (and ``height_cm``) with ``dpi``, for paper; with
    neither it has the pixels of the picture. The sizes are those of the whole file, border and caption included. A
    picture on its side turns the paper with it.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    name: str = Field(
        "web",
        pattern=r"^[a-z0-9][a-z0-9_-]{0,39}$",
        description="Goes into the file's name: small letters, digits, - and _",
    )
    format: Literal["jpeg", "png", "tiff"] = Field("jpeg", description="JPEG has 8 bits a sample, the others 16")
    long_side: int | None = Field(
        None, ge=16, le=65500, description="Long side of the whole, in pixels", json_schema_extra={"unit": "px"}
    )
    width_cm: float | None = Field(
        None, gt=0, le=500, description="Width of the paper", json_schema_extra={"unit": "cm"}
    )
    height_cm: float | None = Field(
        None,
        gt=0,
        le=500,
        description="Height of the paper; empty: as the picture has it",
        json_schema_extra={"unit": "cm"},
    )
    dpi: int = Field(300, ge=30, le=2400, description="Pixels per inch of paper")
    sharpen: float = Field(
        0.5, ge=0, le=2, description="How much of the finest detail is brought back after the resizing"
    )
    border: float = Field(0.0, ge=0, le=0.3, description="Width of the border, as a share of the shorter side")
    border_color: Literal["white", "black", "gray"] = Field("white", description="Color of border and paper")
    caption: str = Field("", max_length=300, description="Text below the picture")
    acquired: bool = Field(default=False, description="Say below the picture how it was taken")
    profile: Literal["srgb", "display_p3", "rec2020"] = Field(
        "srgb", description="Color space: sRGB is right wherever you do not know better"
    )
    quality: int = Field(92, ge=1, le=100, description="Quality of a JPEG, or the best that is tried for max_kb")
    max_kb: int | None = Field(
        None, ge=20, description="Largest JPEG, in units of 1000 bytes", json_schema_extra={"unit": "kB"}
    )
    alt_text: str = Field("", max_length=2000, description="What the picture shows, for who cannot see it")

    @model_validator(mode="after")
    def _makes_sense(self) -> Self:
        if self.name in _TAKEN:
            raise ValueError(f"{self.name!r} is a name that goes to another file beside the picture: choose another")
        if self.long_side is not None and self.width_cm is not None:
            raise ValueError("give long_side in pixels or width_cm of the paper, not both")
        if self.height_cm is not None and self.width_cm is None:
            raise ValueError("height_cm needs width_cm as well")
        if self.max_kb is not None and self.format != "jpeg":
            raise ValueError("max_kb is for JPEG: only its files can be made smaller by quality")
        return self

    @property
    def suffix(self) -> str:
        """End of the file's name."""
        return {"jpeg": ".jpg", "png": ".png", "tiff": ".tif"}[self.format]

    def words(self) -> str:
        """The output in a few words, for lists."""
        size = "its own size"
        if self.long_side is not None:
            size = f"{self.long_side} px"
        elif self.width_cm is not None:
            size = f"{self.width_cm:g}{'' if self.height_cm is None else f' x {self.height_cm:g}'} cm at {self.dpi} dpi"
        more = [
            "border" if self.border else "",
            "caption" if self.caption or self.acquired else "",
            {"srgb": "", "display_p3": "Display P3", "rec2020": "Rec. 2020"}[self.profile],
            "" if self.max_kb is None else f"at most {self.max_kb} kB",
        ]
        return ", ".join([f"{self.name}: {self.format.upper()}", size, *filter(None, more)])


#: Outputs to begin with.
PRESETS = {
    "web": Output(name="web", long_side=2048, max_kb=1000),
    "print": Output(name="print", format="tiff", width_cm=30, height_cm=20, border=0.04, acquired=True),
}
