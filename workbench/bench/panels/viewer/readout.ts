// What lies under the pointer, or in the middle for those who move by keys: asked for and told below the picture.

import { ask, type Forgettable, newestOnly } from "../../page/shared/ask"
import { make } from "../../page/shared/dom"
import type { Model } from "../../page/shared/model"
import type { Frames } from "./frames"
import { type Span, through, wayToShown } from "./sides"
import type { Point, Probe, SideName, ViewerState } from "./state"
import type { View } from "./view"
import { POINT, readoutWords } from "./words"

/** A pixel of a side's own frame, and words before its values. */
interface Pixel {
  x: number
  y: number
  side: SideName
  words: string
}

/** What the readout needs of the picture panel. */
interface Surroundings {
  readonly model: Model<ViewerState>
  readonly view: View
  readonly frames: Frames
  readonly sides: Span[]
  readonly unit: number
}

/** How far off the star may lie that is named, CSS pixels. */
const NEAR = 7

export class Readout {
  element = make("p", { class: "wt-readout wt-figures" }, POINT)
  #bench: Surroundings
  #ask: Forgettable<[Pixel]>
  #pointed: [Point, string] | null = null // place on the stage, and words before its values
  #pixel: Pixel | null = null

  constructor(bench: Surroundings) {
    this.#bench = bench
    this.#ask = newestOnly((pixel: Pixel) => this.#values(pixel))
  }

  forget(): void {
    this.#ask.forget()
  }

  point(place: Point | null): void {
    this.#pointAt(place, "")
  }

  pointMiddle(): void {
    const { width, height } = this.#bench.view.stage
    this.#pointAt([width / 2, height / 2], "middle: ")
  }

  /** The picture under the pointer is another one. */
  again(): void {
    if (this.#pointed) this.#pointAt(...this.#pointed)
  }

  /** A new frame has come for this side. */
  arrived(side: SideName): void {
    const { fit } = this.#bench.frames[side]
    if (!fit?.message.draft && this.#pixel?.side === side) this.#ask(this.#pixel)
  }

  /** Read the side that lies there, in pixels of its own frame. */
  #pointAt(place: Point | null, words: string) {
    const { view, frames } = this.#bench
    this.#pointed = place && [place, words]
    const pixel = place && view.known ? this.#pixelAt(place, words) : null
    if (!pixel) {
      this.#pixel = null
      this.element.textContent = POINT
      return
    }
    if (samePixel(this.#pixel, pixel)) return
    this.#pixel = pixel
    // A draft has no exact values yet, and asking for them would make it wait.
    if (frames[pixel.side].fit?.message.draft)
      this.element.textContent = `${pixel.words}column ${pixel.x}, row ${pixel.y} · values follow`
    else this.#ask(pixel)
  }

  #pixelAt([left, top]: Point, words: string): Pixel | null {
    const { view, frames, sides } = this.#bench
    const side = sides.find(({ from, to }) => left >= from && left < to)?.side ?? "now"
    const { fit } = frames[side]
    if (!fit) return null
    const [height, width] = fit.message.frame
    const place = through(wayToShown(frames, side).inverse(), ...view.toFrame(left, top))
    const [x, y] = place.map(Math.floor)
    if (x < 0 || y < 0 || x >= width || y >= height) return null
    return { x, y, side, words: side === "before" ? `${words}before: ` : words }
  }

  async #values(pixel: Pixel) {
    const { x, y, side, words } = pixel
    try {
      const near = Math.max((NEAR * this.#bench.unit) / this.#bench.view.zoom, 1)
      const value = await ask(this.#bench.model, "probe", { y, x, before: side === "before", near }, { patience: 20 })
      if (samePixel(this.#pixel, pixel)) this.element.textContent = readoutWords(value as Probe, words)
    } catch {
      this.element.textContent = `${words}column ${x}, row ${y}`
    }
  }
}

const samePixel = (one: Pixel | null, other: Pixel): boolean =>
  one?.x === other.x && one?.y === other.y && one?.side === other.side
