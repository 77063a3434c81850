// The pictures that came from the kernel, for each side of the divider: the whole frame reduced ("fit") and the pixels
// of a part at 1:1 ("loupe"), exact once settled. Decoding happens off the page's own thread; nothing queues, the
// newest wins.

import { covers } from "./closeups"
import type { FitMessage, LoupeMessage, SideName } from "./state"

/** A picture that can be painted. */
export interface Painted<Kind extends FitMessage | LoupeMessage = FitMessage | LoupeMessage> {
  message: Kind
  image: ImageBitmap
  /** What is clipped in it, once that was asked for. */
  clipped: { canvas: OffscreenCanvas; white: number; black: number } | null
}

export type Fit = Painted<FitMessage>

/** A close-up; `frame` tells which frame it was cut from. */
export interface Loupe extends Painted<LoupeMessage> {
  frame: string
}

export interface Side {
  fit: Fit | null
  loupe: Loupe | null
  newest: FitMessage | null
  /** Generation of the newest close-up. */
  closest: number
  waiting: { message: FitMessage; blob: Blob } | null
  decoding: boolean
}

export type Layer = "fit" | "loupe"

/** A part of a side's own frame. */
export interface Part {
  x0: number
  y0: number
  width: number
  height: number
  block?: number
}

export class Frames {
  now = emptySide()
  before = emptySide()
  #arrived: (side: SideName, kind: Layer) => void
  #failed: (words: string) => void

  /** `arrived(side, kind)` is called when something new can be painted. */
  constructor(arrived: (side: SideName, kind: Layer) => void, failed: (words: string) => void) {
    this.#arrived = arrived
    this.#failed = failed
  }

  /** Take what the kernel sent; anything that is no picture of a side is left alone. */
  accept(message: { side?: unknown; kind?: unknown }, buffer: DataView | undefined): void {
    if ((message.side !== "now" && message.side !== "before") || !buffer) return
    const side = this[message.side]
    if (message.kind === "fit") this.#acceptFit(side, message as FitMessage, buffer)
    if (message.kind === "loupe") void this.#acceptLoupe(side, message as LoupeMessage, buffer)
  }

  #acceptFit(side: Side, message: FitMessage, buffer: DataView): void {
    const { newest } = side
    if (newest) {
      const same = message.generation === newest.generation
      const older = message.generation < newest.generation
      const lesser = same && message.draft && !newest.draft
      const again = same && message.again && message.draft === newest.draft
      if (older || lesser || again) return
    }
    side.newest = message
    side.waiting = { message, blob: new Blob([bytesOf(buffer)], { type: "image/jpeg" }) }
    if (!side.decoding) void this.#decode(side)
  }

  async #decode(side: Side): Promise<void> {
    side.decoding = true
    while (side.waiting) {
      const { message, blob } = side.waiting
      side.waiting = null
      try {
        this.#keepFit(side, message, await createImageBitmap(blob))
      } catch (error) {
        this.#failed(`the picture could not be shown (${error instanceof Error ? error.message : String(error)})`)
      }
    }
    side.decoding = false
  }

  async #acceptLoupe(side: Side, message: LoupeMessage, buffer: DataView): Promise<void> {
    if (isStale(side, message)) return
    const [height, width] = message.size
    const image = await createImageBitmap(imageData(buffer, width, height))
    const forgotten = this[message.side] !== side
    if (forgotten || isStale(side, message)) return image.close()
    clear(side, "loupe")
    side.loupe = { message, image, clipped: null, frame: frameWords(side.fit?.message) }
    side.closest = message.generation
    this.#arrived(message.side, "loupe")
  }

  #keepFit(side: Side, message: FitMessage, image: ImageBitmap): void {
    const forgotten = this[message.side] !== side
    if (forgotten) return image.close()
    clear(side, "fit")
    side.fit = { message, image, clipped: null }
    // Pixels of an earlier state may stand in while a control moves, but not once the picture is settled.
    if (isStale(side, side.loupe?.message)) clear(side, "loupe")
    this.#arrived(message.side, "fit")
  }

  /** The pixels at 1:1, if they belong to the very state that is shown. */
  loupe(side: SideName): Loupe | null {
    const { fit, loupe } = this[side]
    return fit && loupe?.message.generation === fit.message.generation ? loupe : null
  }

  /** The same, if they are those of the finished picture. */
  exact(side: SideName): Loupe | null {
    const loupe = this.loupe(side)
    return loupe && !loupe.message.draft && !this[side].fit?.message.draft ? loupe : null
  }

  /** The pixels at 1:1 to be laid over the reduced frame. While a control moves, its frames come faster than close-ups:
   *  the newest close-up stands in where it covers all that is `seen`. */
  closeUp(side: SideName, seen: Part | null): Loupe | null {
    const { fit, loupe } = this[side]
    const standsIn = fit?.message.draft && loupe?.frame === frameWords(fit.message) && covers(loupe.message, seen)
    return this.loupe(side) ?? (standsIn ? loupe : null)
  }

  /** There is no close-up of what is shown, and an older one must not stand in for it. */
  noLoupe(name: SideName): void {
    const side = this[name]
    if (!side.fit || this.loupe(name)) return
    clear(side, "loupe")
    side.closest = side.fit.message.generation
  }

  forget(name: SideName): void {
    clear(this[name], "fit")
    clear(this[name], "loupe")
    this[name].waiting = null
    this[name] = emptySide() // what is being decoded belongs to the old one, and is dropped
  }

  close(): void {
    this.forget("now")
    this.forget("before")
  }
}

function clear(side: Side, kind: Layer): void {
  side[kind]?.image.close()
  side[kind] = null
}

const emptySide = (): Side => ({ fit: null, loupe: null, newest: null, closest: 0, waiting: null, decoding: false })

/** A frame's size and place, by which it is known again. */
const frameWords = (message: FitMessage | undefined): string => String([message?.frame, message?.place])

/** Whether a close-up may not be shown any more; a draft lets older ones stand in, but none older than there is. */
function isStale(side: Side, message: LoupeMessage | undefined): boolean {
  if (!message || !side.newest) return false
  const least = side.newest.draft ? side.closest : side.newest.generation
  return message.generation < least
}

/** Binary data as it came from the kernel, by the byte. */
const bytesOf = ({ buffer, byteOffset, byteLength }: DataView): Uint8Array<ArrayBuffer> =>
  new Uint8Array(buffer as ArrayBuffer, byteOffset, byteLength)

/** RGB bytes as the page wants them, with opacity. */
export function imageData(buffer: DataView, width: number, height: number): ImageData {
  const rgb = bytesOf(buffer)
  const data = new ImageData(width, height)
  const out = new Uint32Array(data.data.buffer)
  for (let i = 0, j = 0; i < out.length; i++, j += 3) {
    out[i] = 0xff000000 | (rgb[j + 2] << 16) | (rgb[j + 1] << 8) | rgb[j]
  }
  return data
}
