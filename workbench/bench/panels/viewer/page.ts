// The picture panel, as the widget loads it.

import type { Widget } from "../../page/shared/model"
import { panel } from "../../page/shared/panel"
import { PictureBench } from "./picture"
import type { ViewerState } from "./state"

interface Shown {
  render: (widget: Widget<ViewerState>) => () => void
}

/** The panel; the picture that it shows once more, in a window of its own, shows itself no further. */
const shown = (once: boolean): Shown =>
  panel<ViewerState>("viewer", "Picture", (model, mount) => {
    const again = (el: HTMLElement) => shown(true).render({ model, el })
    return new PictureBench(model, mount, once ? null : again)
  })

export default shown(false)
