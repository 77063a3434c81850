// The list of keys, as the widget loads it.

import { panel } from "../../page/shared/panel"
import { KeysDrawer } from "./keys"

export default panel<object>("keys", "Keys and mouse", (model, mount) => new KeysDrawer(model, mount))
