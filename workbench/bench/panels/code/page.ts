// The drawer with the session as Python, as the widget loads it.

import { panel } from "../../page/shared/panel"
import { CodeDrawer } from "./code"

export default panel<object>("code", "As Python", (model, mount) => new CodeDrawer(model, mount))
