// The recipe panel, as the widget loads it.

import { panel } from "../../page/shared/panel"
import { RecipeCard } from "./recipe"
import type { StepsState } from "./state"

export default panel<StepsState>("steps", "Recipe", (model, mount) => new RecipeCard(model, mount))
