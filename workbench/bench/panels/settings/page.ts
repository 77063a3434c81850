// The settings panel, as the widget loads it.

import { panel } from "../../page/shared/panel"
import type { SettingsState } from "./state"
import { StepSettings } from "./step"

export default panel<SettingsState>(
  "settings",
  "Settings of the chosen step",
  (model, mount) => new StepSettings(model, mount),
)
