// The pictures that came from the kernel, for each side of the divider: the whole frame reduced ("fit") and the pixels
// of a part at 1:1 ("loupe"), exact once settled. Decoding happens off the page's own thread; nothing queues, the newest
// wins.

class Frames {
  #arrived
  #failed
  now = emptySide()
  before = emptySide()

  /** `arrived(side, kind)` is called when something new can be painted. */
  constructor(arrived, failed) {
    this.#arrived = arrived
    this.#failed = failed
  }

  accept(message, buffer) {
    const side = this[message.side]
    if (!side || !buffer) return
    if (message.kind === "fit") this.#acceptFit(side, message, buffer)
    if (message.kind === "loupe") this.#acceptLoupe(side, message, buffer)
  }

  #acceptFit(side, message, buffer) {
    const newest = side.newest
    const older = newest && message.generation < newest.generation
    const lesser = newest && message.generation === newest.generation && message.draft && !newest.draft
    const again =
      newest && message.again && message.generation === newest.generation && message.draft === newest.draft
    if (older || lesser || again) return
    side.newest = message
    side.waiting = { message, blob: new Blob([buffer], { type: "image/jpeg" }) }
    if (!side.decoding) this.#decode(side)
  }

  async #decode(side) {
    side.decoding = true
    while (side.waiting) {
      const { message, blob } = side.waiting
      side.waiting = null
      try {
        const image = await createImageBitmap(blob)
        this.#keep(side, "fit", message, image)
      } catch (error) {
        this.#failed(`the picture could not be shown (${error.message})`)
      }
    }
    side.decoding = false
  }

  async #acceptLoupe(side, message, buffer) {
    if (isStale(side, message)) return
    const [height, width] = message.size
    const image = await createImageBitmap(imageData(buffer, width, height))
    if (isStale(side, message)) image.close()
    else this.#keep(side, "loupe", message, image)
  }

  #keep(side, kind, message, image) {
    if (this[message.side] !== side) {
      image.close() // forgotten meanwhile
      return
    }
    clear(side, kind)
    side[kind] = { message, image, clipped: null }
    if (kind === "loupe") {
      side.loupe.frame = frameWords(side.fit?.message)
      side.closest = message.generation
    }
    // Pixels of an earlier state may stand in while a control moves, but not once the picture is settled.
    if (kind === "fit" && isStale(side, side.loupe?.message)) clear(side, "loupe")
    this.#arrived(message.side, kind)
  }

  /** The pixels at 1:1, if they belong to the very state that is shown. */
  loupe(side) {
    const { fit, loupe } = this[side]
    return fit && loupe && loupe.message.generation === fit.message.generation ? loupe : null
  }

  /** The same, if they are those of the finished picture. */
  exact(side) {
    const loupe = this.loupe(side)
    return loupe && !loupe.message.draft && !this[side].fit.message.draft ? loupe : null
  }

  /** The pixels at 1:1 to be laid over the reduced frame. While a control moves, its frames come faster than close-ups:
   *  the newest close-up stands in where it covers all that is `seen`. */
  closeUp(side, seen) {
    const { fit, loupe } = this[side]
    const standsIn = fit?.message.draft && loupe?.frame === frameWords(fit.message) && covers(loupe.message, seen)
    return this.loupe(side) ?? (standsIn ? loupe : null)
  }

  /** There is no close-up of what is shown, and an older one must not stand in for it. */
  noLoupe(name) {
    const side = this[name]
    if (!side.fit || this.loupe(name)) return
    clear(side, "loupe")
    side.closest = side.fit.message.generation
  }

  forget(name) {
    clear(this[name], "fit")
    clear(this[name], "loupe")
    this[name].waiting = null
    this[name] = emptySide() // what is being decoded belongs to the old one, and is dropped
  }

  close() {
    this.forget("now")
    this.forget("before")
  }
}

function clear(side, kind) {
  side[kind]?.image.close()
  side[kind] = null
}

const emptySide = () => ({ fit: null, loupe: null, newest: null, closest: 0, waiting: null, decoding: false })

/** A frame's size and place, by which it is known again. */
const frameWords = (message) => String([message?.frame, message?.place])

/** Whether a close-up may not be shown any more; a draft lets older ones stand in, but none older than there is. */
function isStale(side, message) {
  if (!message || !side.newest) return false
  const least = side.newest.draft ? side.closest : side.newest.generation
  return message.generation < least
}

/** RGB bytes as the page wants them, with opacity. */
function imageData(buffer, width, height) {
  const rgb = new Uint8Array(buffer.buffer, buffer.byteOffset, buffer.byteLength)
  const data = new ImageData(width, height)
  const out = new Uint32Array(data.data.buffer)
  for (let i = 0, j = 0; i < out.length; i++, j += 3) {
    out[i] = 0xff000000 | (rgb[j + 2] << 16) | (rgb[j + 1] << 8) | rgb[j]
  }
  return data
}
