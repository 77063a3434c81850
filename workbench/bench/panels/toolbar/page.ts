// The toolbar panel, as the widget loads it.

import { panel } from "../../page/shared/panel"
import type { ToolbarState } from "./state"
import { Toolbar } from "./toolbar"

export default panel<ToolbarState>(
  "toolbar",
  "Toolbar: opening and exporting",
  (model, mount) => new Toolbar(model, mount),
)
