// The drawer for export, as the widget loads it.

import { panel } from "../../page/shared/panel"
import { ExportDrawer } from "./export"
import type { ExportState } from "./state"

export default panel<ExportState>("export", "Export", (model, mount) => new ExportDrawer(model, mount))
