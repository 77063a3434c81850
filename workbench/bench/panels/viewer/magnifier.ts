// A magnifier that follows the pointer: exact pixels of what lies under it, while the whole picture stays in sight.

import { ask, type Forgettable, newestOnly } from "../../page/shared/ask"
import { attribute, make, tell } from "../../page/shared/dom"
import { type Message, type Model, watchMessages } from "../../page/shared/model"
import type { Wanted } from "./closeups"
import { imageData, type Frames } from "./frames"
import { type Span, through, wayToShown } from "./sides"
import type { LoupeMessage, Point, SideName, ViewerState } from "./state"
import type { View } from "./view"

const SIZE = 240 // CSS pixels across
const AROUND = 0.35 // share of the glass that is asked for on each side beside what is seen, for the next movements

/** What comes with the pixels under the glass. */
type LensMessage = Omit<LoupeMessage, "kind"> & { kind: "lens" }

/** Pixels that are at hand, and where they lie in their side's frame. */
interface Known {
  message: LensMessage
  image: ImageBitmap
}

/** What a magnifier needs of the picture panel. */
interface Surroundings {
  readonly model: Model<ViewerState>
  readonly view: View
  readonly frames: Frames
  readonly sides: Span[]
  readonly unit: number
  readonly signal: AbortSignal
}

export class Magnifier {
  readonly glass = make("canvas", { "aria-hidden": "true" })
  readonly words = make("span", {})
  readonly element = make("div", { class: "wt-magnifier", hidden: true }, this.glass, this.words)
  #bench: Surroundings
  #place: Point | null = null // of the pointer on the stage
  #on = false
  #known: Known | null = null
  #ask: Forgettable<[Wanted]>

  constructor(bench: Surroundings) {
    this.#bench = bench
    this.#ask = newestOnly((wanted: Wanted) =>
      ask(bench.model, "magnify", { ...wanted }, { patience: 60 }).catch(() => undefined),
    )
    watchMessages(bench.model, (message, buffers) => void this.#accept(message, buffers?.[0]), bench.signal)
    bench.signal.addEventListener("abort", () => this.#close(), { once: true })
  }

  #close() {
    this.#ask.forget()
    this.#known?.image.close()
    this.#known = null
  }

  /** Taken in hand, or put down. */
  turn(on: boolean): void {
    this.#on = on
    if (!on) this.#ask.forget()
    this.paint()
  }

  point(place: Point | null): void {
    this.#place = place
    if (this.#on) this.paint()
  }

  /** How many pixels of the screen one of the frame takes: one, or more where the picture is as large already. */
  get #scale(): number {
    const { view } = this.#bench
    return view.zoom > 0.7 ? 2 * Math.ceil(view.zoom - 0.001) : 1
  }

  paint(): void {
    const { view, frames, sides } = this.#bench
    const place = this.#on && view.known ? this.#place : null
    const side = place && (sides.find(({ from, to }) => place[0] >= from && place[0] < to)?.side ?? "now")
    const fit = side && frames[side].fit
    const [x, y] = place ? view.toFrame(...place) : [-1, -1]
    const inside = x >= 0 && y >= 0 && x < view.frame.width && y < view.frame.height
    this.element.hidden = !(fit && inside)
    if (!place || !side || !fit || !inside) return
    const size = Math.round(SIZE * this.#bench.unit)
    if (this.glass.width !== size) [this.glass.width, this.glass.height] = [size, size]
    const context = this.glass.getContext("2d", { alpha: false })
    if (!context) return
    const scale = this.#scale
    const own = wayToShown(frames, side)
    const way = new DOMMatrix([scale, 0, 0, scale, size / 2 - scale * x, size / 2 - scale * y]).multiplySelf(own)
    const [height, width] = fit.message.frame
    context.setTransform(1, 0, 0, 1, 0, 0)
    context.fillStyle = "#1d1b19"
    context.fillRect(0, 0, size, size)
    context.imageSmoothingEnabled = true
    context.setTransform(way.scale(width / fit.image.width, height / fit.image.height))
    context.drawImage(fit.image, 0, 0)
    const middle = through(own.inverse(), x, y)
    const known = this.#fitting(side, fit.message.generation)
    if (known) {
      context.imageSmoothingEnabled = false
      context.setTransform(wholePixels(way.translate(known.message.x0, known.message.y0)))
      context.drawImage(known.image, 0, 0)
    }
    const half = size / 2 / scale
    const exact = Boolean(known && covers(known.message, middle, half, [width, height]))
    if (!exact || known?.message.draft !== fit.message.draft) this.#want(side, middle, half, fit.message.draft)
    this.words.textContent = `${scale}:1${exact ? "" : " …"}`
    tell(this.element, { exact: String(exact && !known?.message.draft) })
    const { unit } = this.#bench
    this.element.style.translate = `${place[0] / unit - SIZE / 2}px ${place[1] / unit - SIZE / 2}px`
    attribute(this.element, "data-side", side)
  }

  /** What is at hand, if it is of this side and of the very state that is shown. */
  #fitting(side: SideName, generation: number): Known | null {
    const known = this.#known
    return known?.message.side === side && known.message.generation === generation ? known : null
  }

  #want(side: SideName, [x, y]: Point, half: number, draft: boolean) {
    const reach = Math.ceil(half * (1 + 2 * AROUND))
    const { fit } = this.#bench.frames[side]
    if (!fit) return
    const [height, width] = fit.message.frame
    const span = (middle: number, length: number): [number, number] => {
      const from = Math.max(0, Math.floor(middle) - reach)
      return [from, Math.min(length, Math.floor(middle) + reach + 1) - from]
    }
    const [x0, across] = span(x, width)
    const [y0, down] = span(y, height)
    if (across > 0 && down > 0) this.#ask({ x0, y0, width: across, height: down, before: side === "before", draft })
  }

  async #accept(told: Message | null, buffer: DataView | undefined) {
    if (told?.kind !== "lens" || !buffer || !this.#on) return
    const message = told as unknown as LensMessage
    const [height, width] = message.size
    const image = await createImageBitmap(imageData(buffer, width, height))
    this.#known?.image.close()
    this.#known = { message, image }
    this.paint()
  }
}

/** Whether all that the glass shows of the frame is there. */
function covers(known: LensMessage, [x, y]: Point, half: number, [width, height]: [number, number]): boolean {
  return (
    known.x0 <= Math.max(0, x - half) &&
    known.y0 <= Math.max(0, y - half) &&
    known.x0 + known.width >= Math.min(width, x + half) &&
    known.y0 + known.height >= Math.min(height, y + half)
  )
}

/** Pixels of the picture lie on whole pixels of the screen, so that they are crisp. */
function wholePixels(way: DOMMatrix): DOMMatrix {
  way.e = Math.round(way.e)
  way.f = Math.round(way.f)
  return way
}
