// What lies under the pointer, or in the middle for those who move by keys: asked for and told below the picture.

class Readout {
  element = make("p", { class: "wt-readout wt-figures" }, POINT)
  #bench
  #ask
  #pointed = null // place on the stage, and words before its values
  #pixel = null

  /** `bench` gives model, view, frames and sides. */
  constructor(bench) {
    this.#bench = bench
    this.#ask = newestOnly((pixel) => this.#values(pixel))
  }

  forget() {
    this.#ask.forget()
  }

  point(place) {
    this.#pointAt(place, "")
  }

  pointMiddle() {
    const { width, height } = this.#bench.view.stage
    this.#pointAt([width / 2, height / 2], "middle: ")
  }

  /** The picture under the pointer is another one. */
  again() {
    if (this.#pointed) this.#pointAt(...this.#pointed)
  }

  /** A new frame has come for this side. */
  arrived(side) {
    const { fit } = this.#bench.frames[side]
    if (!fit.message.draft && this.#pixel?.side === side) this.#ask(this.#pixel)
  }

  /** Read the side that lies there, in pixels of its own frame. */
  #pointAt(place, words) {
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

  #pixelAt([left, top], words) {
    const { view, frames, sides } = this.#bench
    const { side } = sides.find(({ from, to }) => left >= from && left < to) ?? { side: "now" }
    if (!frames[side].fit) return null
    const [height, width] = frames[side].fit.message.frame
    const place = through(wayToShown(frames, side).inverse(), ...view.toFrame(left, top))
    const [x, y] = place.map(Math.floor)
    if (x < 0 || y < 0 || x >= width || y >= height) return null
    return { x, y, side, words: side === "before" ? `${words}before: ` : words }
  }

  async #values(pixel) {
    const { x, y, side, words } = pixel
    try {
      const value = await ask(this.#bench.model, "probe", { y, x, before: side === "before" }, { patience: 20 })
      if (samePixel(this.#pixel, pixel)) this.element.textContent = readoutWords(value, words)
    } catch {
      this.element.textContent = `${words}column ${x}, row ${y}`
    }
  }
}

const samePixel = (one, other) => one?.x === other.x && one?.y === other.y && one?.side === other.side
