// The line of the black point over the histogram: pulled or moved by keys, and where it stands.

class BlackLine {
  /** What was measured last: black, its setting's zero and unit in light, the curve; old while new ones are awaited. */
  measured = null
  #bench
  #words
  #set
  #pulled = null // setting value while the line is pulled
  #released = false // let go, and the kernel has not taken the value yet

  /** `bench` gives model, state, status, signal, lightAt(clientX) and update(). */
  constructor(bench) {
    this.#bench = bench
    this.#set = newestOnly(({ live, value, stretch }) => this.#tell(live, value, stretch))
    bench.signal.addEventListener("abort", () => this.#set.forget())
    this.#words = make("span", { class: "wt-black-word wt-figures" })
    const props = { class: "wt-black", role: "slider", tabindex: "0", hidden: true, "aria-label": "Black point" }
    this.element = make("div", props, this.#words)
    this.#listen()
  }

  #listen() {
    const line = this.element
    const on = (name, react) => line.addEventListener(name, react, { signal: this.#bench.signal })
    on("pointerdown", (event) => {
      if (!this.#movable) return
      line.setPointerCapture(event.pointerId)
      line.focus({ preventScroll: true })
      event.preventDefault()
    })
    on("pointermove", (event) => {
      if (line.hasPointerCapture(event.pointerId)) this.#pull(event.clientX)
    })
    for (const name of ["pointerup", "pointercancel", "keyup", "blur"]) on(name, () => this.#release())
    on("keydown", (event) => this.#press(event))
  }

  get #movable() {
    const { stretch } = this.#bench.state
    return Boolean(stretch && this.measured?.perUnit)
  }

  get #value() {
    return this.#pulled ?? this.#bench.state.stretch?.value ?? null
  }

  // -- moving -------------------------------------------------------------------------------------

  #pull(clientX) {
    this.#moveTo((this.#bench.lightAt(clientX) - this.measured.zero) / this.measured.perUnit)
  }

  #press(event) {
    if (!this.#movable) return
    const { min, max } = this.#bench.state.stretch
    // Arrows follow the eye: to the right is brighter, whichever way the setting counts.
    const toRight = Math.sign(this.measured.perUnit) || 1
    const step = Math.max(Math.abs(this.#value) * 0.02, 0.1)
    const signed = slidTo(event, this.#value * toRight, {
      min: toRight > 0 ? min : -max,
      max: toRight > 0 ? max : -min,
      step,
    })
    if (signed === null) return
    event.preventDefault()
    event.stopPropagation()
    this.#moveTo(signed * toRight)
  }

  #moveTo(value) {
    const { stretch } = this.#bench.state
    this.#released = false
    this.#pulled = Number(clamp(value, stretch.min, stretch.max).toPrecision(3))
    this.#set({ live: true, value: this.#pulled, stretch })
    this.#bench.update()
  }

  #release() {
    if (this.#pulled === null || this.#released) return
    this.#released = true
    this.#set({ live: false, value: this.#pulled, stretch: this.#bench.state.stretch })
  }

  async #tell(live, value, stretch) {
    const { model, status } = this.#bench
    try {
      await ask(model, "set", { index: stretch.index, live, [stretch.name]: value }, { patience: 30 })
      status.clear()
    } catch (error) {
      status.fail(error)
      if (live) return
      this.#letGo()
      this.#bench.update()
    }
  }

  #letGo() {
    this.#pulled = null
    this.#released = false
  }

  // -- standing -----------------------------------------------------------------------------------

  /** The line stays in the hand until the kernel shows the value that was let go. */
  stateChanged() {
    const { stretch } = this.#bench.state
    if (this.#released && (!stretch || stretch.value === this.#pulled)) this.#letGo()
  }

  /** While the stretch is being measured anew, the last black and curve stay. */
  remember({ black, black_zero: zero, black_per_unit: perUnit, curve, stretch }) {
    if (black !== null && black !== undefined) this.measured = { black, zero, perUnit, curve, old: false }
    else if (!stretch) this.measured = null
    else if (this.measured) this.measured.old = true
  }

  /** Put the line where black is; `x` leads from light to a place between `left` and `right`. */
  place(linear, x, left, right) {
    const line = this.element
    line.hidden = !linear || !this.measured
    if (line.hidden) return
    const { stretch } = this.#bench.state
    const { black, zero, perUnit, old } = this.measured
    const light = this.#pulled === null && !old ? black : zero + perUnit * this.#value
    const place = clamp(x(light), left, right)
    line.style.left = `${place}px`
    line.classList.toggle("wt-near-edge", place < left + 90)
    const unit = stretch?.unit ? ` ${stretch.unit}` : ""
    const setting = stretch ? `${plainNumber(this.#value)}${unit} below the sky` : ""
    this.#words.textContent = `black ${plainNumber(light)}`
    attribute(line, "aria-disabled", this.#movable ? null : "true")
    attribute(line, "aria-valuenow", plainNumber(this.#value ?? light))
    attribute(line, "aria-valuemin", stretch?.min ?? 0)
    attribute(line, "aria-valuemax", stretch?.max ?? 1)
    const says = `black at ${plainNumber(light)} of the white level${setting ? `, set to ${setting}` : ""}`
    attribute(line, "aria-valuetext", says)
    line.title = setting
  }
}
