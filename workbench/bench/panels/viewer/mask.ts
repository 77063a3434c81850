// The mask of the chosen step over the picture: a small picture from the kernel, laid where its frame lies.

import type { Pen } from "./pen"
import type { Mask } from "./state"

export class MaskLayer {
  #picture = new Image()
  #changed: () => void

  /** `changed` is called when a picture has come. */
  constructor(changed: () => void) {
    this.#changed = changed
    this.#picture.addEventListener("load", () => this.#changed())
  }

  paint({ context, view }: Pen, { picture, place }: Mask): void {
    if (!picture || !place) return
    if (this.#picture.src !== picture) this.#picture.src = picture
    if (!this.#picture.complete || !this.#picture.naturalWidth) return
    const [x, y] = view.toStage(0, 0)
    context.save()
    context.transform(view.zoom, 0, 0, view.zoom, x, y)
    context.transform(...place)
    context.imageSmoothingEnabled = true
    context.drawImage(this.#picture, 0, 0)
    context.restore()
  }
}
