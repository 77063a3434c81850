// The picture: canvas, zoom, exact pixels, before and after, overlays and tools.

const MAT = 14 // CSS pixels of mat around the print in the fit view

class PictureBench {
  panning = false
  divider = 0.5
  held = false
  #peeking = false // "before" is borrowed for a held key; there is no divider
  #frame = 0
  #painted = { now: 0, before: 0 }

  constructor(model, { root, signal }) {
    this.model = model
    this.root = root
    this.signal = signal
    this.status = statusLine()
    this.act = actor(model, this.status)
    this.view = new View()
    this.glide = glider(this.view, () => this.moved())
    this.frames = new Frames(
      (side, kind) => this.#arrived(side, kind),
      (text) => this.status.fail(text),
    )
    this.tools = new Tools(this)
    this.readout = new Readout(this)
    this.closeUps = new CloseUps(this)
    this.wantWidth = whenQuiet(() => this.#askWidth(), 180)
    Object.assign(this, layOut(this))
    this.#listen()
  }

  state() {
    return this.model.get("state") ?? {}
  }

  unit() {
    return this.#unit
  }
  #unit = window.devicePixelRatio || 1
  #mat = "#312e2a"

  focus() {
    this.stage.focus({ preventScroll: true })
  }

  // -- listening ---------------------------------------------------------------------------------

  #listen() {
    const { model, signal } = this
    watch(model, "change:state", () => this.#stateChanged(), signal)
    watch(model, "msg:custom", (message, buffers) => this.frames.accept(message ?? {}, buffers?.[0]), signal)
    listenToWheel(this, signal)
    listenToPointers(this, signal)
    listenToKeys(this, signal)
    this.#watchSize()
    signal.addEventListener("abort", () => this.#close(), { once: true })
    this.#stateChanged()
    // Another view of this picture may have had the frames already: ask for them again.
    ask(model, "hello").catch((error) => this.status.fail(error))
  }

  #close() {
    cancelAnimationFrame(this.#frame)
    this.glide.stop()
    for (const asking of [this.wantWidth, this.readout, this.closeUps]) asking.forget()
    this.frames.close()
  }

  #watchSize() {
    const observer = new ResizeObserver(([entry]) => {
      const ratio = window.devicePixelRatio || 1
      const { width, height } = this.stage.getBoundingClientRect()
      const size = devicePixels(entry.devicePixelContentBoxSize?.[0], width * ratio, height * ratio)
      if (size[0] < 1 || size[1] < 1) return
      this.#unit = ratio
      this.#mat = getComputedStyle(this.stage).backgroundColor
      for (const canvas of [this.picture, this.marks]) [canvas.width, canvas.height] = size
      this.view.setStage(...size, MAT * ratio)
      if (this.#askedWidth === null) this.#askWidth()
      else this.wantWidth()
      this.closeUps.soon()
      this.#paint() // setting the size has emptied the canvas, so not a frame later
    })
    try {
      observer.observe(this.picture, { box: "device-pixel-content-box" })
    } catch {
      observer.observe(this.picture)
    }
    this.signal.addEventListener("abort", () => observer.disconnect(), { once: true })
  }

  // -- how wide the print is ----------------------------------------------------------------------

  #askedWidth = null

  /** As many pixels as the fitted print has across on this screen. */
  #askWidth() {
    const { view } = this
    const across = view.known ? view.fitZoom * view.frame.width : view.stage.width - 2 * view.stage.margin
    const width = Math.round(across)
    if (width === this.#askedWidth) return
    this.#askedWidth = width
    // Not by `act`, whose success takes the last sentence away: nobody asked for this.
    ask(this.model, "view_width", { width }).catch((error) => this.status.fail(error))
  }

  // -- before and now -----------------------------------------------------------------------------

  get comparing() {
    return (this.state().compare?.kind ?? "none") !== "none"
  }

  get divided() {
    return this.comparing && !this.#peeking
  }

  /** What is painted now, and between which columns of the stage. */
  get sides() {
    const { width } = this.view.stage
    const both = lineUp(this.frames)
    if (this.held && both) return [{ side: "before", from: 0, to: width }]
    const edge = this.divided && both ? Math.round(this.divider * width) : 0
    const sides = [
      { side: "before", from: 0, to: edge },
      { side: "now", from: edge, to: width },
    ]
    return sides.filter(({ from, to }) => to > from)
  }

  /** While held, all of the picture is "before": the other side of the divider, or else the stack itself. */
  hold(down) {
    if (down === this.held) return
    this.held = down
    if (down && !this.comparing) {
      this.#peeking = true
      this.act("compare", { step: 0 })
    } else if (!down && this.#peeking) this.act("compare", {})
    this.changed()
  }

  moveDivider(share) {
    this.divider = clamp(share, 0, 1)
    this.changed()
  }

  lookAt([x, y]) {
    const { view } = this
    this.glide.stop()
    view.zoomAround(1, ...view.toStage(x, y))
    view.centreOn(x, y)
    this.moved()
  }

  // -- painting -----------------------------------------------------------------------------------

  /** Paint with the next picture of the screen. */
  changed() {
    if (!this.#frame && !this.signal.aborted) this.#frame = requestAnimationFrame(() => this.#paint())
  }

  /** Zoom or place changed. */
  moved() {
    this.closeUps.soon()
    this.changed()
  }

  #arrived(side, kind) {
    if (kind === "fit") {
      this.#painted[side] += 1
      // At once, not when quiet: while a control moves, one picture follows the other.
      if (this.view.known) this.closeUps.atOnce()
      else this.closeUps.soon()
      this.readout.arrived(side)
    }
    this.changed()
  }

  #stateChanged() {
    const state = this.state()
    if (!this.comparing) {
      if (!this.held) this.#peeking = false
      this.frames.forget("before")
    }
    if (this.root.dataset.tool !== (state.tool ?? "look")) this.tools.rect = null
    this.root.dataset.tool = state.tool ?? "look"
    for (const each of this.toolGroup.children) {
      attribute(each, "aria-pressed", String(each.dataset.tool === this.root.dataset.tool))
    }
    for (const each of this.overlayGroup.querySelectorAll("button")) {
      attribute(each, "aria-pressed", String(Boolean(state.overlays?.[each.dataset.overlay])))
    }
    for (const group of [this.toolGroup, this.overlayGroup]) oneTabStop(group, this.signal)
    if (!this.#divided && Number.isFinite(state.divider)) this.divider = state.divider
    this.compareGroup.update(state, this.#peeking)
    if (state.message !== this.#told) state.message ? this.status.fail(state.message) : this.status.clear()
    this.#told = state.message
    this.changed()
  }
  #told = ""
  #divided = false

  #paint() {
    cancelAnimationFrame(this.#frame)
    this.#frame = 0
    const { view, frames } = this
    const { fit } = frames.now
    if (fit) this.#takeFrame(fit.message)
    const context = this.picture.getContext("2d", { alpha: false })
    context.fillStyle = this.#mat
    context.fillRect(0, 0, view.stage.width, view.stage.height)
    const draw = (side) => drawSide(context, view, frames, side)
    if (fit) onEachSide({ context, view }, this.sides, draw)
    this.#paintMarks()
    this.#tell(fit)
    // What lies under a resting pointer may be another pixel now, or the other side's.
    if (fit) this.readout.again()
  }

  /** Close up, the sky stays where it is when its frame becomes another one. */
  #takeFrame({ frame: [height, width], place }) {
    const { view } = this
    const frame = String([height, width, place])
    if (frame === this.#taken.frame) return
    const middle = view.toFrame(view.stage.width / 2, view.stage.height / 2)
    const [old, now] = [this.#taken.place, place].map((each) => each && new DOMMatrix(each))
    const seen = old && now ? through(now.invertSelf().multiplySelf(old), ...middle) : middle
    const resized = view.frame.width !== width || view.frame.height !== height
    this.#taken = { frame, place }
    view.setFrame(width, height)
    if (!view.fitted) view.centreOn(...seen)
    if (resized) this.wantWidth()
  }
  #taken = { frame: "", place: null }

  #paintMarks() {
    const { view, frames, tools } = this
    const context = this.marks.getContext("2d")
    context.clearRect(0, 0, view.stage.width, view.stage.height)
    const pen = { context, view, unit: this.unit() }
    const says = view.known ? drawOverlays(pen, frames, this.state(), this.sides) : []
    if (view.known) drawEdge(pen)
    if (view.known) tools.paint(pen)
    tools.handles.place()
    tools.paintHint()
    const words = says.join("\n")
    if (this.legend.dataset.words !== words) {
      this.legend.dataset.words = words
      this.legend.replaceChildren(...says.map((text) => make("li", {}, text)))
    }
  }

  /** Say in words and attributes what is shown now. */
  #tell(fit) {
    const { view, frames, root } = this
    const exact = this.closeUps.areExact("now")
    Object.assign(root.dataset, {
      frames: this.#painted.now,
      framesBefore: this.#painted.before,
      generation: fit?.message.generation ?? "",
      draft: fit ? String(Boolean(fit.message.draft)) : "",
      zoom: view.known ? String(Number(view.zoom.toPrecision(5))) : "",
      exact: String(exact),
      exactBefore: String(lineUp(frames) && this.closeUps.areExact("before")),
      held: String(this.held),
    })
    this.#divided = this.divided && lineUp(frames)
    this.empty.hidden = Boolean(fit)
    this.handle.hidden = !this.#divided || this.held
    if (this.#divided) this.handle.update(this.divider, ...compareWords(this.state()))
    this.stage.classList.toggle("wt-fitted", view.fitted)
    this.zoomWords.textContent = view.known
      ? view.words + (view.zoom >= 0.999 ? (exact ? " exact" : " …") : "")
      : ""
    const draft = Boolean(fit?.message.draft || (view.zoom >= 0.999 && frames.loupe("now")?.message.draft))
    const badges = fit ? badgeWords(this, { ...fit.message, draft }) : []
    this.#tellBadges(badges)
    attribute(this.picture, "aria-label", pictureWords(this, badges, exact))
  }

  #tellBadges(badges) {
    const words = badges.join("\n")
    if (this.badges.dataset.words === words) return
    this.badges.dataset.words = words
    this.badges.replaceChildren(
      ...badges.map((text) => make("span", { class: "wt-chip", dataset: { badge: text } }, text)),
    )
  }
}

/** Exact device pixels where the browser tells them, for a rounded guess can blur a picture a little; not where they
 *  disagree with the scale of the page, as in an emulated screen. */
function devicePixels(exact, width, height) {
  const near = exact && Math.abs(exact.inlineSize - width) < 2 && Math.abs(exact.blockSize - height) < 2
  return near ? [exact.inlineSize, exact.blockSize] : [Math.round(width), Math.round(height)]
}

function render({ model, el }) {
  const panel = panelRoot(el, "viewer", "Picture")
  new PictureBench(model, panel)
  return panel.gone
}

export default { render }
