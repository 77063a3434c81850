"""``workbench solve`` and ``annotate``: where a stack lies on the sky, and a copy of a picture with names on it."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path

from typer import echo

from workbench.cli.faults import tell
from workbench.cli.files import Reading, checked_output
from workbench.sky import read_catalog
from workbench.sky import solve as solve_stack
from workbench.sky.labels import save_labelled

__all__ = ["Field", "annotate", "solve"]


@dataclass(frozen=True, slots=True)
class Field:
    """What a person says of the field: mm, micrometres, degrees of the long side; and a catalogue of their own."""

    focal_length: float | None = None
    pixel_size: float | None = None
    field_of_view: float | None = None
    catalog: Path | None = None


def _said(share: float, doing: str) -> None:
    if share < 1:
        tell(doing)


def solve(stack: Path, output: Path | None, field: Field, *, as_json: bool, force: bool, reading: Reading) -> None:
    """Say where a stack lies on the sky, and write a copy that carries the solution."""
    if output is not None:
        checked_output(output, force=force, inputs=[stack])
    found = solve_stack(
        reading.stack(stack),
        focal_length=field.focal_length,
        pixel_size=field.pixel_size,
        field_of_view=field.field_of_view,
        catalog=None if field.catalog is None else read_catalog(field.catalog),
        progress=_said,
    )
    if output is not None:
        found.stack.save(output, overwrite=force)
    echo(json.dumps(found.to_dict(), indent=2, ensure_ascii=False, allow_nan=False) if as_json else found)
    if output is not None and not as_json:
        echo(f"Written: {output}")


def annotate(picture: Path, output: Path, *, grid: bool, objects: bool, stars: bool, force: bool) -> None:
    """Write a copy of a picture with names on it, or the names alone as SVG."""
    checked_output(output, force=force, inputs=[picture])
    shown = Reading().stack(picture)
    save_labelled(shown, output, grid=grid, objects=objects, stars=stars, overwrite=force)
    echo(f"Written: {output}")
