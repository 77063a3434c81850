// The histogram panel, as the widget loads it.

import { panel } from "../../page/shared/panel"
import { HistogramPlot } from "./plot"
import type { HistogramState } from "./state"

export default panel<HistogramState>("histogram", "Histogram", (model, mount) => new HistogramPlot(model, mount))
