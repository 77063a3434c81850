"""What a person does with the session: methods with a name that a page and a cell may call, logged as Python."""

from workbench.bench.commands.draw import DrawCommands
from workbench.bench.commands.mask import MaskCommands
from workbench.bench.commands.step import StepCommands
from workbench.bench.commands.whole_recipe import WholeRecipeCommands
from workbench.bench.model import Session

__all__ = ["RecipeCommands"]


class RecipeCommands(StepCommands, MaskCommands, DrawCommands, WholeRecipeCommands):
    """All commands that change the recipe or choose a step of it.

    Parameters
    ----------
    session : Session
    """

    def __init__(self, session: Session) -> None:
        self.session = session
