// Asking for the pixels of what is seen at 1:1 and above: exact ones of a settled picture, drafted ones of a draft.

import { ask, type Forgettable, newestOnly, whenQuiet } from "../../page/shared/ask"
import type { Model } from "../../page/shared/model"
import type { StatusLine } from "../../page/shared/telling"
import type { Frames, Part } from "./frames"
import { lineUp, seenOf } from "./sides"
import type { SideName, ViewerState } from "./state"
import type { Glider, View } from "./view"

/** Pixels of a side that are asked for. */
export interface Wanted extends Part {
  before: boolean
  draft: boolean
}

/** What close-ups need of the picture panel. */
export interface Surroundings {
  readonly model: Model<ViewerState>
  readonly view: View
  readonly frames: Frames
  readonly glide: Glider
  readonly status: StatusLine
  readonly comparing: boolean
  changed(): void
}

export class CloseUps {
  /** Ask when nothing has moved for a moment. */
  readonly soon: Forgettable<[]>
  #bench: Surroundings
  #ask: Record<SideName, Forgettable<[Wanted]>>

  constructor(bench: Surroundings) {
    this.#bench = bench
    const newest = () => newestOnly((wanted: Wanted) => this.#pixels(wanted))
    this.#ask = { now: newest(), before: newest() }
    this.soon = whenQuiet(() => this.atOnce(), 90)
  }

  forget(): void {
    for (const later of [this.soon, this.#ask.now, this.#ask.before]) later.forget()
  }

  atOnce(): void {
    const { view, frames, glide, comparing } = this.#bench
    if (view.zoom < 0.999 || glide.moving) return
    const sides: SideName[] = comparing && lineUp(frames) ? ["now", "before"] : ["now"]
    for (const side of sides) {
      const { fit } = frames[side]
      if (!fit) continue
      const { draft } = fit.message
      const known = draft ? frames.loupe(side) : frames.exact(side)
      const seen = seenOf(view, frames, side)
      if (seen && !covers(known?.message, seen)) this.#ask[side]({ ...seen, before: side === "before", draft })
    }
  }

  async #pixels(wanted: Wanted): Promise<void> {
    const { model, frames, status } = this.#bench
    try {
      const sent = await ask(model, "loupe", { ...wanted }, { patience: 60 })
      if (sent) return
      frames.noLoupe(wanted.before ? "before" : "now")
      this.#bench.changed()
    } catch (error) {
      status.fail(error)
    }
  }

  /** Whether all that is seen of a side is shown by exact pixels. */
  areExact(side: SideName): boolean {
    const { view, frames } = this.#bench
    const loupe = frames.exact(side)
    return Boolean(view.zoom >= 0.999 && loupe && covers(loupe.message, seenOf(view, frames, side)))
  }
}

/** Whether the pixels of a close-up are fine enough and cover what is seen. */
export function covers(loupe: Part | undefined, seen: Part | null): boolean {
  return Boolean(
    loupe &&
    seen &&
    (loupe.block ?? 1) <= (seen.block ?? 1) &&
    loupe.x0 <= seen.x0 &&
    loupe.y0 <= seen.y0 &&
    loupe.x0 + loupe.width >= seen.x0 + seen.width &&
    loupe.y0 + loupe.height >= seen.y0 + seen.height,
  )
}
