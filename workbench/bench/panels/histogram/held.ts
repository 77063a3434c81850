// The value of a setting in the hand: sent to the kernel while it moves, and once more when it is let go.

import { ask, type Forgettable, newestOnly } from "../../page/shared/ask"
import type { HistogramPlot } from "./plot"

/** Which setting it is: the place of its step, and its name. */
interface Setting {
  index: number
  name: string
}

/** A value on its way to the kernel. */
interface Move<Value> {
  live: boolean
  value: Value
  setting: Setting
}

export class Held<Value> {
  /** As it is in the hand; null where the kernel's is shown. */
  value: Value | null = null
  #released = false // let go, and the kernel does not show it yet
  #plot: HistogramPlot
  #plain: (value: Value) => unknown
  #set: Forgettable<[Move<Value>]>

  /** `plain` makes of a value what the setting holds. */
  constructor(plot: HistogramPlot, plain: (value: Value) => unknown = (value) => value) {
    this.#plot = plot
    this.#plain = plain
    this.#set = newestOnly((move: Move<Value>) => this.#tell(move))
    plot.signal.addEventListener("abort", () => this.#set.forget())
  }

  /** Move it; of several in a moment the kernel is told the newest. */
  move(value: Value, setting: Setting): void {
    this.#give({ live: true, value, setting })
  }

  /** Let it go: where it was moved to, or with another value. */
  release(setting: Setting | null | undefined, value: Value | null = this.#released ? null : this.value): void {
    if (setting && value !== null) this.#give({ live: false, value, setting })
  }

  #give(move: Move<Value>) {
    this.value = move.value
    this.#released = !move.live
    this.#set(move)
  }

  async #tell({ live, value, setting }: Move<Value>) {
    const { model, status } = this.#plot
    const changes = { [setting.name]: this.#plain(value) }
    try {
      await ask(model, "set", { index: setting.index, live, ...changes }, { patience: 30 })
      status.clear()
    } catch (error) {
      status.fail(error)
      if (live) return
      this.value = null
      this.#plot.update()
    }
  }

  /** It stays in the hand until the kernel shows what was let go, or has no such setting any more. */
  shown(value: Value | null): void {
    if (value === null || (this.#released && JSON.stringify(value) === JSON.stringify(this.value))) this.value = null
  }
}
