// The picture panel, as the widget loads it.

import { panel } from "../../page/shared/panel"
import { PictureBench } from "./picture"
import type { ViewerState } from "./state"

export default panel<ViewerState>("viewer", "Picture", (model, mount) => new PictureBench(model, mount))
