// The check-up, as the widget loads it.

import { panel } from "../../page/shared/panel"
import { CheckupDrawer } from "./advice"
import type { CheckupState } from "./state"

export default panel<CheckupState>("checkup", "Check-up", (model, mount) => new CheckupDrawer(model, mount))
