"""Steps that make the sky even: take a gradient away, and bring the channels' sky to one level."""

from __future__ import annotations

from types import MappingProxyType
from typing import TYPE_CHECKING, ClassVar, Literal, NamedTuple, Self

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from workbench.compiled import kernel
from workbench.errors import WorkbenchError
from workbench.measure.background.sky import sky_levels
from workbench.operations._gradient.cells import SkyCells, auto_spacing, sample_boxes, sample_cells
from workbench.operations._gradient.choose import (
    CLEAR_SKY,
    MOST_DEGREE,
    SEEN_SKY,
    UNSURE,
    SkyFit,
    candidate,
    choose,
)
from workbench.operations._gradient.corners import corner_glow, with_corners
from workbench.operations._gradient.facts import PolynomialFacts, RemoveGradientFacts, SampleFacts
from workbench.operations._gradient.fit import Samples
from workbench.operations._gradient.paint import Painter, make_painter, paint, take_off
from workbench.operations._gradient.surfaces import Polynomial, unit_positions
from workbench.operations.base import Facts, Frame, Geometry, Operation, Planes, Purpose, Tile
from workbench.operations.drawing import Contours, Drawing, Overlay, Places, Points, Regions
from workbench.operations.facts import Real
from workbench.operations.findings import compass, of_the_sky
from workbench.operations.regions import Place, Region, any_inside
from workbench.operations.trial import StackTrial, Suggestion

if TYPE_CHECKING:
    from collections.abc import Mapping

__all__ = ["WORTH_REMOVING", "LevelSky", "LevelSkyFacts", "RemoveGradient", "RemoveGradientFacts", "model_planes"]

F64 = NDArray[np.float64]

#: Share of the sky level from which a gradient shows in a picture.
WORTH_REMOVING = 0.02
#: Rows and columns of the grid on which the sky model is shown.
_SHOWN = (48, 72)
#: From this share of the surface on, all of it is said to be taken off.
_ALL_TAKEN = 0.98
#: Likely error of the surface, as a share of its height, from which no number is told: of 100 independent scenes the
#: true error was then 0.2 to 0.4 of it (three scenes), and below 0.65 of it in two of three where it was 0.03 to 0.3.
_HARDLY_KNOWN = 0.35
#: A divisor never falls below this share of its own median.
_LEAST_DIVISOR = 0.05


class _Plan(NamedTuple):
    painter: Painter
    pedestal: NDArray[np.float32]


class RemoveGradient(Operation):
    """Take the uneven brightness of the sky away.

    City light, the Moon and the air's own glow lie over the whole frame, brighter towards one side; a lens lets
    less light through at its corners. Both make the background uneven, and a strong stretch would show that first
    and the object last. Do this early, after the ragged borders are cut and before color is judged. Glow was added
    to the light, so it is subtracted; falloff scaled it, so it is divided out (better done with flats).

    The sky's level is sampled in a grid of cells. Samples with stars, a galaxy or a nebula in them are left out at
    every size, in all channels together, and a smooth surface is fitted to the rest: a low-order polynomial, a
    thin plate that resists bending (Duchon 1977; Wahba 1990), or a mesh of splines (Eilers & Marx 1996). A simple
    robust surface always stands beside, and how many samples lie on either within their noise (consensus, Fischler &
    Bolles 1981) tells how much of the sky is seen. The less, the more the low-order surface is held to what glow is
    like: smooth, and of nearly one shape in all channels (a prior, MacKay 1992). The steep glow of an amplifier in a
    corner of the sensor is fitted beside it where it is seen; darks of the same length and temperature take that off
    better, before stacking. Where objects have one color, the sky is read from sums of the channels that do not hold
    it. The step says how sure it is, and the less sure, the less it takes off; where no sky is seen, nothing.
    Subtracting gives ``pixel - surface + pedestal``, dividing ``pixel / surface x pedestal``, where the pedestal is the
    surface's median in each channel.
    """

    purpose: ClassVar[Purpose] = "gradient"
    usual_place: ClassVar[int] = 30
    same_anywhere: ClassVar[bool] = True
    answers: ClassVar[str] = "Gradient"
    drawn: ClassVar[tuple[Drawing, ...]] = (
        Regions(
            "exclude",
            tool="Exclude",
            help="Draw a region where no sky is measured. Enter starts one in the middle.",
            item="no sky",
            overlay="samples",
        ),
        Places(
            "samples",
            tool="Sky sample",
            help="Click where the sky is bare; drag a mark to move it, Delete takes it away. Enter adds one in the "
            "middle.",
            item="sky sample",
            overlay="samples",
        ),
    )
    overlays: ClassVar[Mapping[str, str]] = MappingProxyType({"samples": "Sky samples", "gradient": "Sky model"})
    # Where nebulae leave hardly any sky, a few cells that a reduced frame shows otherwise tip the surface.
    waited_for: ClassVar[bool] = True
    facts_type: ClassVar[type[Facts]] = RemoveGradientFacts

    mode: Literal["subtract", "divide"] = Field("subtract", description="Subtract added glow, or divide by falloff")
    model: Literal["auto", "surface", "thin_plate", "mesh"] = Field(
        "auto",
        description="Kind of surface: auto (low-order, chosen by the samples), low-order, thin plate, or mesh",
    )
    spacing: float | None = Field(
        None,
        ge=4,
        le=1024,
        description="Distance between sky samples; empty: about 2400 samples over the frame",
        json_schema_extra={"unit": "px"},
    )
    stiffness: float = Field(
        1.0,
        ge=0.001,
        le=1000,
        description="Resistance to bending, as a multiple of what held-out samples asked for (thin plate and mesh)",
    )
    outlier_limit: float = Field(
        2.0,
        ge=1.5,
        le=6.0,
        description="How far above the sky a sample must lie to be left out; smaller leaves out more",
        json_schema_extra={"unit": "sigma"},
    )
    exclude: tuple[Region, ...] = Field(
        (), max_length=200, description="Regions without sky samples", json_schema_extra={"unit": "px"}
    )
    samples: tuple[Place, ...] = Field(
        (),
        max_length=1000,
        description="Places that are sky whatever they look like",
        json_schema_extra={"unit": "px"},
    )
    mesh_cells: float = Field(
        6.0,
        ge=1,
        le=64,
        description="Size of a mesh square, in samples",
        json_schema_extra={"unit": "samples", "expert": True},
    )
    degree: int | None = Field(
        None,
        ge=0,
        le=MOST_DEGREE,
        description="How often a low-order surface may bend: 1 is a slope, 2 a bowl; empty: chosen by the samples",
        json_schema_extra={"unit": "degree", "expert": True},
    )
    keep_sky: bool = Field(
        True, description="Add the median sky back, so that nothing falls below zero (subtract only)"
    )

    def drafted(self, facts: RemoveGradientFacts) -> Self:
        return self.model_copy(update={"model": facts.surface.kind}) if self.model == "auto" else self

    @classmethod
    def suggested(cls, trial: StackTrial) -> Suggestion | None:
        gradient, noise = trial.found.gradient, trial.found.noise
        if gradient.share <= WORTH_REMOVING or not max(noise) > 0:
            return None
        height = max(p / n for p, n in zip(gradient.peak_to_peak, noise, strict=True) if n > 0)
        return Suggestion(
            cls(),
            f"The background differs by {of_the_sky(gradient.peak_to_peak, trial.found.sky)} over the frame, "
            f"{height:.0f} times the noise, and grows towards {compass(gradient.direction_deg)}.",
        )

    def measure(self, frame: Frame) -> RemoveGradientFacts:
        _, height, width = frame.planes.shape
        spacing = self.spacing or auto_spacing(height, width)
        cells = frame.once(f"sky cells {spacing}", lambda: sample_cells(frame.planes, frame.coverage, spacing))
        # What no limit changes is found once and stays with the samples while a slider moves.
        samples, state = frame.once(
            f"sky samples {spacing} {self.exclude} {self.samples}", lambda: self._samples(frame, cells, spacing)
        )
        if not samples.open.any():
            raise WorkbenchError(
                "remove_gradient found no place to sample the sky: everything is excluded or not covered; "
                "exclude less, or give samples"
            )
        wanted = candidate(self.model, samples, self.mesh_cells)
        added = isinstance(wanted.surface, Polynomial) and self.mode == "subtract" and self.degree is None
        glow = corner_glow(samples) if added else None
        rest = samples if glow is None else glow.rest
        fitted = choose(rest, wanted, self.outlier_limit, self.stiffness, self.degree)
        if glow is not None:
            fitted = with_corners(fitted, glow)
        levels = _levels(fitted, samples)
        if self.mode == "divide" and (levels[:, 1] <= 0).any():
            raise WorkbenchError("remove_gradient cannot divide by a sky that is zero or below; use mode 'subtract'")
        return _facts(self, frame, cells, samples, state, fitted, levels)

    def _samples(self, frame: Frame, cells: SkyCells, spacing: float) -> tuple[Samples, str]:
        """Flat samples, and a letter for each cell that is closed: n not covered, x excluded, else a dot."""
        _, height, width = frame.planes.shape
        rows, columns = cells.shape
        quarter = np.array([-0.375, -0.125, 0.125, 0.375])
        fine_y = (cells.y[:, None] + quarter * (height / rows)).reshape(-1, 1)
        fine_x = (cells.x[:, None] + quarter * (width / columns)).reshape(1, -1)
        excluded = any_inside(self.exclude, fine_y, fine_x).reshape(rows, 4, columns, 4).any(axis=(1, 3)).ravel()
        known = cells.known.ravel()
        state = "".join("n" if not k else "x" if e else "." for k, e in zip(known, excluded, strict=True))
        u, v = unit_positions(np.repeat(cells.y, columns), np.tile(cells.x, rows), height, width)
        value, is_open = cells.level.reshape(rows * columns, -1), known & ~excluded
        if self.samples:
            y, x = np.array([(p.y, p.x) for p in self.samples]).T
            if ((y < -0.5) | (y > height - 0.5) | (x < -0.5) | (x > width - 0.5)).any():
                raise WorkbenchError(
                    f"remove_gradient has a sample outside the frame of {width} x {height} pixels; move or remove it"
                )
            level, ok = sample_boxes(frame.planes, frame.coverage, y, x, spacing)
            hu, hv = unit_positions(y, x, height, width)
            u, v = np.concatenate([u, hu]), np.concatenate([v, hv])
            value, is_open = np.concatenate([value, level]), np.concatenate([is_open, ok])
        return Samples(u, v, value, (rows, columns), is_open), state

    def prepare(self, facts: RemoveGradientFacts, geometry: Geometry) -> _Plan:
        floor = _LEAST_DIVISOR * np.array(facts.sky) if self.mode == "divide" else None
        painter = make_painter(facts.surface.surface(), facts.coefficients, facts.shape, geometry, floor)
        return _Plan(painter, np.array(facts.pedestal, np.float32))

    def apply(self, tile: Tile, plan: _Plan, out: Planes) -> None:
        y0, x0 = tile.core.y0, tile.core.x0
        take_off(tile.inner, y0, x0, plan.painter, plan.pedestal, self.mode == "divide", out)

    def explain(self, facts: RemoveGradientFacts) -> str:
        kind = facts.surface.kind.replace("_", " ")
        if isinstance(facts.surface, PolynomialFacts):
            kind = f"low-order surface (degree {facts.surface.degree})"
            if facts.surface.corners:
                named = " and ".join(corner.named for corner in facts.surface.corners)
                kind += f" with an amplifier's glow in the {named} corner,"
        verb = "Divided by" if self.mode == "divide" else "Subtracted"
        return (
            f"{verb} a {kind} fitted to {facts.used} of {facts.cells + len(facts.placed)} sky samples; "
            f"it varied by {of_the_sky(facts.peak_to_peak, facts.sky)}."
            + (" A galaxy's light was fitted beside it, and stays." if facts.galaxy else "")
        )

    def shown(self, facts: RemoveGradientFacts, geometry: Geometry) -> tuple[Overlay, ...]:
        samples = facts.samples
        x, y = (axis.ravel() for axis in np.meshgrid(samples.x, samples.y))
        used = (samples.letters == ".").ravel()
        if len(facts.placed) == len(self.samples):  # else the facts are kept from other samples
            x = np.append(x, [place.x for place in self.samples])
            y = np.append(y, [place.y for place in self.samples])
            used = np.append(used, np.array(facts.placed, np.bool_))
        height, width = facts.shape
        scale = max(height / _SHOWN[0], width / _SHOWN[1])
        grid = Geometry(max(2, round(height / scale)), max(2, round(width / scale)), len(facts.sky), scale)
        model = model_planes(facts, grid).mean(axis=0, dtype=np.float64)
        words = f"sky model from {model.min():.4f} to {model.max():.4f} of the white level"
        return Points("samples", x, y, used), Contours("gradient", model, words)


def _levels(fitted: SkyFit, samples: Samples) -> F64:
    """Median, least and greatest value of the surface over all cells: (C, 3)."""
    n = samples.cells
    model = fitted.surface.design(samples.u[:n], samples.v[:n]) @ fitted.coefficients.T
    return np.stack([np.median(model, axis=0), model.min(axis=0), model.max(axis=0)], axis=1)


def _doubts(fitted: SkyFit) -> tuple[str, ...]:
    """What is not sure about the fit, a sentence each."""
    told = []
    if not isinstance(fitted.surface, Polynomial):
        return ()
    seen = f"{100 * fitted.agree:.0f} % of the samples lie on one smooth surface"
    but = "but a glow in the corner " if fitted.surface.corners else ""
    if fitted.one_color and fitted.taken > 0.5:
        told.append(
            f"Objects cover much of this frame ({seen}): the sky was read from what their color leaves free, and its "
            "strength from the darkest samples."
        )
    elif fitted.surface.degree == 0 and fitted.agree < SEEN_SKY:
        told.append(
            f"The sky is not seen in this frame (only {seen}), so nothing {but}is taken off: "
            "mark places that are sky, or exclude the object."
        )
    elif fitted.agree < SEEN_SKY:
        told.append(
            f"The sky is hardly seen in this frame (only {seen}): the surface may hold some of the object's broadest "
            "light; mark places that are sky to be sure."
        )
    elif fitted.agree < CLEAR_SKY:
        told.append(
            f"Objects cover much of this frame ({seen}): the surface was held smooth, and may hold a little of them."
        )
    if fitted.uncertainty is not None and fitted.uncertainty > UNSURE:
        known = (
            f"is known to about {100 * fitted.uncertainty:.0f} % here"
            if fitted.uncertainty < _HARDLY_KNOWN
            else "can hardly be told from the objects' light here"
        )
        spared = f", so only {100 * fitted.taken:.0f} % of that is taken off" if fitted.taken < _ALL_TAKEN else ""
        told.append(f"How much the sky differs over the frame {known}{spared}.")
    return tuple(told)


def _facts(
    op: RemoveGradient, frame: Frame, cells: SkyCells, samples: Samples, state: str, fitted: SkyFit, levels: F64
) -> RemoveGradientFacts:
    _, height, width = frame.planes.shape
    n = samples.cells
    letters = ["b" if s == "." and not u else s for s, u in zip(state, fitted.used[:n], strict=True)]
    columns = samples.grid[1]
    sky = [float(x) for x in levels[:, 0]]
    keep = op.mode == "divide" or op.keep_sky
    return RemoveGradientFacts(
        shape=(height, width),
        surface=fitted.surface.to_dict(),
        regularization=fitted.weight,
        coefficients=fitted.coefficients,
        sky=sky,
        pedestal=sky if keep else [0.0] * len(sky),
        peak_to_peak=[float(b - a) for _, a, b in levels],
        cells=n,
        used=int(fitted.used.sum()),
        placed=tuple(bool(used) for used in fitted.used[n:]),
        samples=SampleFacts(
            y=np.round(cells.y, 2),
            x=np.round(cells.x, 2),
            state=["".join(letters[i : i + columns]) for i in range(0, n, columns)],
        ),
        agree=fitted.agree,
        uncertainty=fitted.uncertainty,
        taken=fitted.taken,
        galaxy=fitted.beside,
        one_color=fitted.one_color,
        tried=fitted.scores,
        doubts=_doubts(fitted),
    )


def model_planes(facts: RemoveGradientFacts, geometry: Geometry) -> Planes:
    """The surface that `RemoveGradient` found, as planes for showing and teaching.

    Parameters
    ----------
    facts : RemoveGradientFacts
        What `RemoveGradient.measure` returned.
    geometry : Geometry
        Frame to paint, at full or reduced scale.

    Returns
    -------
    ndarray, shape (C, H, W), float32
    """
    painter = make_painter(facts.surface.surface(), facts.coefficients, facts.shape, geometry)
    return paint(painter, 0, 0, geometry.height, geometry.width)


class LevelSkyFacts(Facts):
    """Sky levels of the channels."""

    levels: tuple[Real, ...] = Field(
        description="Most common sky value by channel", json_schema_extra={"unit": "of white", "shape": ["channels"]}
    )
    target: Real = Field(description="Level that all channels are brought to", json_schema_extra={"unit": "of white"})


class LevelSky(Operation):
    """Bring the sky of all channels to the same level.

    The night sky is rarely gray: city light and the sensor's own colors leave one channel's sky brighter than
    another's, and a stretch would turn that into a color cast over everything. This step moves the channels up
    or down until their sky levels agree, which makes the background neutral without touching the colors of what
    lies above it. Do it after the gradient is gone and before color is calibrated and stretched.

    Each channel is shifted: ``pixel + (target - level)``, where the level is the channel's most common sky value
    and the target is the median of the channels' levels, or a level given by hand.
    """

    purpose: ClassVar[Purpose] = "gradient"
    usual_place: ClassVar[int] = 32
    same_anywhere: ClassVar[bool] = True
    sampled: ClassVar[Literal["", "windows", "levels"]] = "levels"
    facts_type: ClassVar[type[Facts]] = LevelSkyFacts

    level: float | None = Field(
        None,
        ge=-1.0,
        le=1.0,
        description="Sky level wanted in every channel; empty: the median of the channels' levels",
        json_schema_extra={"unit": "of white"},
    )

    def measure(self, frame: Frame) -> LevelSkyFacts:
        levels = [float(s.level) for s in sky_levels(frame.planes, frame.coverage)]
        target = float(np.median(levels)) if self.level is None else self.level
        return LevelSkyFacts(levels=levels, target=target)

    def prepare(self, facts: LevelSkyFacts, geometry: Geometry) -> NDArray[np.float32]:
        return np.array([facts.target - level for level in facts.levels], np.float32)

    def apply(self, tile: Tile, plan: NDArray[np.float32], out: Planes) -> None:
        shift_planes(tile.inner, plan, out)

    def explain(self, facts: LevelSkyFacts) -> str:
        was = ", ".join(f"{level:.4f}" for level in facts.levels)
        return f"Sky levels were {was} of white; all are {facts.target:.4f} now."


@kernel
def shift_planes(pixels: Planes, shift: NDArray[np.float32], out: Planes) -> None:
    """``out = pixels + shift`` with one shift a channel."""
    channels, height, width = pixels.shape
    for c in range(channels):
        s = shift[c]
        for i in range(height):
            source, target = pixels[c, i], out[c, i]
            for k in range(width):
                target[k] = source[k] + s
