"""What the picture is compared with: the steps up to a place, or a variant, on the far side of the divider."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from workbench.bench.showing import Showing
from workbench.bench.worktable import Worktable
from workbench.engine import Preview

__all__ = ["Comparison"]


@dataclass(frozen=True, slots=True)
class Comparison:
    """What lies on either side of the divider.

    Attributes
    ----------
    step : int or None
        The far side shows the picture before this step.
    variant : str or None
        The far side shows this variant, whatever ``step`` says; with neither there is no divider.
    upto : int or None
        How many steps the near side shows; None: all.
    """

    step: int | None = None
    variant: str | None = None
    upto: int | None = None

    def state(self) -> dict[str, Any]:
        """What the panels are told."""
        kind = "variant" if self.variant is not None else "none" if self.step is None else "step"
        upto = None if kind == "none" else self.upto
        return {"kind": kind, "step": self.step, "name": self.variant, "upto": upto}

    def near_upto(self, table: Worktable) -> int | None:
        """How many steps the near side shows; None: all."""
        upto = self.state()["upto"]
        return None if upto is None else min(upto, len(table.layout.cards))

    def far(self, preview: Preview, table: Worktable) -> Showing | None:
        """What the far side shows; None: nothing, or a variant that is no longer there."""
        if self.variant in table.variants:
            layout = table.variants[self.variant]
            return Showing(preview.showing(layout.recipe, layout.frozen))
        if self.variant is None and self.step is not None:
            return Showing(preview, min(self.step, len(table.layout.cards)))
        return None
