// The drawer for opening, as the widget loads it.

import { panel } from "../../page/shared/panel"
import { OpenDrawer } from "./open"
import type { OpenState } from "./state"

export default panel<OpenState>("open", "Opening", (model, mount) => new OpenDrawer(model, mount))
