// The picture: canvas, zoom, exact pixels, before and after, overlays and tools.

import { ask, type Forgettable, whenQuiet } from "../../page/shared/ask"
import { attribute, make, tell, windowOf } from "../../page/shared/dom"
import { type Model, watchMessages, watchState } from "../../page/shared/model"
import { clamp } from "../../page/shared/numbers"
import type { Mount } from "../../page/shared/panel"
import { type Act, actor, statusLine } from "../../page/shared/telling"
import { CloseUps, type Surroundings } from "./closeups"
import { compareWords } from "./compare"
import { type Fit, Frames, type Layer } from "./frames"
import { listenToKeys, listenToPointers, listenToWheel } from "./input"
import { layOut, type Parts } from "./layout"
import { Magnifier } from "./magnifier"
import { MaskLayer } from "./mask"
import type { Show } from "./own_window"
import { drawOverlays, pickable } from "./overlays"
import { drawEdge } from "./pen"
import { Readout } from "./readout"
import { type Box, SkyLayer } from "./sky"
import { drawSide, lineUp, onEachSide, type Span, through } from "./sides"
import type { FitMessage, Matrix, Point, SideName, ViewerState } from "./state"
import { Tools } from "./tools"
import { glider, type Glider, View } from "./view"
import { badgeWords, emptyWords, pictureWords } from "./words"

const MAT = 14 // CSS pixels of mat around the print in the fit view

/** How wide the views of a picture show it, by its model; one frame serves them all, the widest of them well. */
const widths = new WeakMap<object, Widths>()

interface Widths {
  seen: Map<PictureBench, number>
  asked: number
}

export class PictureBench implements Surroundings {
  panning = false
  divider = 0.5
  held = false
  #peeking = false // "before" is borrowed for a held key; there is no divider
  #frame = 0
  #painted = { now: 0, before: 0 }

  readonly root: HTMLElement
  readonly signal: AbortSignal
  readonly status = statusLine()
  readonly view = new View()
  readonly act: Act
  readonly glide: Glider
  readonly frames: Frames
  readonly tools: Tools
  readonly readout: Readout
  readonly closeUps: CloseUps
  readonly magnifier: Magnifier
  readonly sky = new SkyLayer()
  readonly parts: Parts
  /** One CSS pixel in device pixels. */
  unit = 1
  #wantWidth: Forgettable<[]>
  #mat = "#312e2a"

  constructor(
    readonly model: Model<ViewerState>,
    { root, signal }: Mount,
    /** Shows the picture once more, in another place; null where this is that. */
    readonly again: Show | null = null,
  ) {
    this.root = root
    this.signal = signal
    this.unit = this.window.devicePixelRatio || 1
    this.act = actor(model, this.status)
    this.glide = glider(this.view, this.window, () => this.moved())
    this.frames = new Frames(
      (side: SideName, kind: Layer) => this.#arrived(side, kind),
      (text: string) => this.status.fail(text),
    )
    this.tools = new Tools(this)
    this.readout = new Readout(this)
    this.closeUps = new CloseUps(this)
    this.magnifier = new Magnifier(this)
    this.#wantWidth = whenQuiet(() => this.#askWidth(), 180)
    this.parts = layOut(this)
    this.#listen()
  }

  get state(): ViewerState {
    return this.model.get("state") ?? {}
  }

  /** Where it is seen: its pixels, its moments to paint. */
  get window(): Window & typeof globalThis {
    return windowOf(this.root)
  }

  focus(): void {
    this.parts.stage.focus({ preventScroll: true })
  }

  // -- listening ---------------------------------------------------------------------------------

  #listen() {
    const { model, signal } = this
    watchState(model, () => this.#stateChanged(), signal)
    watchMessages(model, (message, buffers) => this.frames.accept(message ?? {}, buffers?.[0]), signal)
    listenToWheel(this, signal)
    listenToPointers(this, signal)
    listenToKeys(this, signal)
    this.#watchSize()
    signal.addEventListener("abort", () => this.#close(), { once: true })
    this.#stateChanged()
    // Another view of this picture may have had the frames already: ask for them again.
    ask(model, "hello").catch((error: unknown) => this.status.fail(error))
  }

  #close() {
    this.window.cancelAnimationFrame(this.#frame)
    this.#widths.seen.delete(this)
    for (const other of this.#widths.seen.keys()) other.#wantWidth()
    this.glide.stop()
    for (const asking of [this.#wantWidth, this.readout, this.closeUps]) asking.forget()
    this.frames.close()
  }

  #watchSize() {
    const observer = new this.window.ResizeObserver(([entry]) => {
      const ratio = this.window.devicePixelRatio || 1
      const { width, height } = this.parts.stage.getBoundingClientRect()
      const size = devicePixels(entry.devicePixelContentBoxSize?.[0], width * ratio, height * ratio)
      if (size[0] < 1 || size[1] < 1) return
      this.unit = ratio
      this.#mat = getComputedStyle(this.parts.stage).backgroundColor
      for (const canvas of [this.parts.picture, this.parts.marks]) [canvas.width, canvas.height] = size
      this.view.setStage(...size, MAT * ratio)
      if (this.#widths.seen.has(this)) this.#wantWidth()
      else this.#askWidth()
      this.closeUps.soon()
      this.#paint() // setting the size has emptied the canvas, so not a frame later
    })
    try {
      observer.observe(this.parts.picture, { box: "device-pixel-content-box" })
    } catch {
      observer.observe(this.parts.picture)
    }
    this.signal.addEventListener("abort", () => observer.disconnect(), { once: true })
  }

  // -- how wide the print is ----------------------------------------------------------------------

  get #widths(): Widths {
    const known = widths.get(this.model) ?? { seen: new Map<PictureBench, number>(), asked: 0 }
    widths.set(this.model, known)
    return known
  }

  /** As many pixels as the fitted print has across on this screen. */
  #askWidth() {
    const { view } = this
    const across = view.known ? view.fitZoom * view.frame.width : view.stage.width - 2 * view.stage.margin
    const known = this.#widths
    known.seen.set(this, Math.round(across))
    const width = Math.max(...known.seen.values())
    if (width === known.asked) return
    known.asked = width
    // Not by `act`, whose success takes the last sentence away: nobody asked for this.
    ask(this.model, "view_width", { width }).catch((error: unknown) => this.status.fail(error))
  }

  // -- before and now -----------------------------------------------------------------------------

  get comparing(): boolean {
    return (this.state.compare?.kind ?? "none") !== "none"
  }

  get divided(): boolean {
    return this.comparing && !this.#peeking
  }

  /** What is painted now, and between which columns of the stage. */
  get sides(): Span[] {
    const { width } = this.view.stage
    const both = lineUp(this.frames)
    if (this.held && both) return [{ side: "before", from: 0, to: width }]
    const edge = this.divided && both ? Math.round(this.divider * width) : 0
    const sides: Span[] = [
      { side: "before", from: 0, to: edge },
      { side: "now", from: edge, to: width },
    ]
    return sides.filter(({ from, to }) => to > from)
  }

  /** While held, all of the picture is "before": the other side of the divider, or else the stack itself. */
  hold(down: boolean): void {
    if (down === this.held) return
    this.held = down
    if (down && !this.comparing) {
      this.#peeking = true
      void this.act("compare", { step: 0 })
    } else if (!down && this.#peeking) void this.act("compare", {})
    this.changed()
  }

  moveDivider(share: number): void {
    this.divider = clamp(share, 0, 1)
    this.changed()
  }

  lookAt([x, y]: Point): void {
    const { view } = this
    this.glide.stop()
    view.zoomAround(1, ...view.toStage(x, y))
    view.centreOn(x, y)
    this.moved()
  }

  /** Pick the point at a place on the stage, where one is shown; the same again: none. */
  pickAt([x, y]: Point): void {
    const { picked } = this.state.overlay_data ?? {}
    const found = pickable({ view: this.view, unit: this.unit }, this.state, x, y)
    const again = found && picked?.overlay === found[0] && picked.number === found[1]
    if (found && !again) void this.act("pick", { overlay: found[0], number: found[1] })
    else if (picked) void this.act("pick", {})
  }

  /** What is newly picked is brought into view. */
  #showPicked() {
    const { picked } = this.state.overlay_data ?? {}
    const which = picked ? `${picked.overlay} ${picked.number}` : ""
    if (which === this.#picked) return
    this.#picked = which
    if (!picked || !this.view.known) return
    const [x, y] = this.view.toStage(picked.x + 0.5, picked.y + 0.5)
    const { width, height } = this.view.stage
    if (x >= 0 && y >= 0 && x < width && y < height) return
    this.view.centreOn(picked.x + 0.5, picked.y + 0.5)
    this.moved()
  }
  #picked = ""

  // -- painting -----------------------------------------------------------------------------------

  /** Paint with the next picture of the screen. */
  changed(): void {
    if (!this.#frame && !this.signal.aborted) this.#frame = this.window.requestAnimationFrame(() => this.#paint())
  }

  /** Zoom or place changed. */
  moved(): void {
    this.closeUps.soon()
    this.changed()
  }

  #arrived(side: SideName, kind: Layer) {
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
    const state = this.state
    if (!this.comparing) {
      if (!this.held) this.#peeking = false
      this.frames.forget("before")
    }
    const { name, kind } = this.tools
    if (this.root.dataset.tool !== name) this.tools.rect = null
    tell(this.root, { tool: name, kind })
    this.magnifier.turn(kind === "place")
    this.parts.tools.update(state)
    this.parts.overlays.update(state)
    this.parts.layers.update(state)
    if (!this.#divided && state.divider !== undefined) this.divider = state.divider
    this.parts.compareGroup.update(state, this.#peeking)
    if (state.message !== this.#told && state.message) this.status.fail(state.message)
    else if (state.message !== this.#told) this.status.clear()
    this.#told = state.message
    this.#showPicked()
    this.changed()
  }
  #told: string | undefined = ""
  #divided = false

  #paint() {
    this.window.cancelAnimationFrame(this.#frame)
    this.#frame = 0
    const { view, frames } = this
    const { fit } = frames.now
    if (fit) this.#takeFrame(fit.message)
    const context = this.parts.picture.getContext("2d", { alpha: false })
    if (!context) return
    context.fillStyle = this.#mat
    context.fillRect(0, 0, view.stage.width, view.stage.height)
    const draw = (side: SideName) => drawSide(context, view, frames, side)
    if (fit) onEachSide({ context, view }, this.sides, draw)
    this.#paintMarks()
    this.#tell(fit)
    // What lies under a resting pointer may be another pixel now, or the other side's.
    if (fit) this.readout.again()
    this.magnifier.paint()
    this.parts.map.paint()
  }

  /** Close up, the sky stays where it is when its frame becomes another one. */
  #takeFrame({ frame: [height, width], place }: FitMessage): void {
    const { view } = this
    const frame = String([height, width, place])
    if (frame === this.#taken.frame) return
    const middle = view.toFrame(view.stage.width / 2, view.stage.height / 2)
    const old = this.#taken.place
    const way = old && place && new DOMMatrix(place).invertSelf().multiplySelf(new DOMMatrix(old))
    const seen = way ? through(way, ...middle) : middle
    const resized = view.frame.width !== width || view.frame.height !== height
    this.#taken = { frame, place }
    view.setFrame(width, height)
    if (!view.fitted) view.centreOn(...seen)
    if (resized) this.#wantWidth()
  }
  #taken: { frame: string; place: Matrix | null } = { frame: "", place: null }

  readonly #masks = new MaskLayer(() => this.changed())

  #paintMarks() {
    const { view, frames, tools } = this
    const context = this.parts.marks.getContext("2d")
    if (!context) return
    context.clearRect(0, 0, view.stage.width, view.stage.height)
    const pen = { context, view, unit: this.unit }
    const says = view.known ? drawOverlays(pen, frames, this.state, this.sides, this.#masks) : []
    if (view.known) says.push(...this.#paintSky())
    if (view.known) drawEdge(pen)
    if (view.known) tools.paint(pen)
    tools.handles.place()
    tools.paintHint()
    const words = says.join("\n")
    if (this.parts.legend.dataset.words !== words) {
      this.parts.legend.dataset.words = words
      this.parts.legend.replaceChildren(...says.map((text) => make("li", {}, text)))
    }
  }

  #paintSky(): string[] {
    const { names = null, grid = null } = this.state.overlay_data ?? {}
    const taken = () => [this.parts.legend, this.parts.map.element].flatMap((each) => placeOn(this.parts.stage, each))
    const [named, inSight] = this.sky.paint(this.view, this.unit, names?.marks ?? null, grid, taken)
    return names ? [`${named} of ${inSight} names in sight have room; ${names.says}`] : []
  }

  /** Say in words and attributes what is shown now. */
  #tell(fit: Fit | null) {
    const { view, frames, root } = this
    const exact = this.closeUps.areExact("now")
    tell(root, {
      frames: this.#painted.now,
      framesBefore: this.#painted.before,
      generation: fit?.message.generation ?? "",
      draft: fit ? String(fit.message.draft) : "",
      zoom: view.known ? String(Number(view.zoom.toPrecision(5))) : "",
      exact: String(exact),
      exactBefore: String(lineUp(frames) && this.closeUps.areExact("before")),
      held: String(this.held),
    })
    this.#divided = this.divided && lineUp(frames)
    this.parts.empty.hidden = Boolean(fit)
    this.parts.empty.textContent = emptyWords(this.state)
    this.parts.handle.element.hidden = !this.#divided || this.held
    if (this.#divided) this.parts.handle.update(this.divider, ...compareWords(this.state))
    this.parts.stage.classList.toggle("wt-fitted", view.fitted)
    this.parts.zoomWords.textContent = view.known
      ? view.words + (view.zoom >= 0.999 ? (exact ? " exact" : " …") : "")
      : ""
    const draft = Boolean(fit?.message.draft) || Boolean(view.zoom >= 0.999 && frames.loupe("now")?.message.draft)
    const badges = fit ? badgeWords(this, { ...fit.message, draft }) : []
    this.#tellBadges(badges)
    this.#tellNotes()
    attribute(this.parts.picture, "aria-label", pictureWords(this, badges, exact))
  }

  /** Alone, a side's note stands on the left; the near one gives way to the other side's. */
  #tellNotes() {
    const { linear } = this.parts
    const spans = this.sides
    const lit = (span: Span | undefined) => Boolean(span && this.frames[span.side].fit?.message.linear)
    const room = (span: Span | undefined) => (span ? (span.to - span.from) / this.view.stage.width : 1)
    linear.left.update(spans[0]?.side ?? null, lit(spans[0]), room(spans[0]))
    linear.right.update(spans[1]?.side ?? null, lit(spans[1]), room(spans[1]))
  }

  #tellBadges(badges: string[]) {
    const words = badges.join("\n")
    if (this.parts.badges.dataset.words === words) return
    this.parts.badges.dataset.words = words
    this.parts.badges.replaceChildren(
      ...badges.map((text: string) => make("span", { class: "wt-chip", dataset: { badge: text } }, text)),
    )
  }
}

/** Where something stands on the stage, in CSS pixels; nothing where it is hidden. */
function placeOn(stage: HTMLElement, element: HTMLElement): Box[] {
  if (element.hidden) return []
  const [of, { left, top, right, bottom }] = [stage.getBoundingClientRect(), element.getBoundingClientRect()]
  return right > left ? [[left - of.left, top - of.top, right - of.left, bottom - of.top]] : []
}

/** Exact device pixels where the browser tells them, for a rounded guess can blur a picture a little; not where they
 *  disagree with the scale of the page, as in an emulated screen. */
function devicePixels(exact: ResizeObserverSize | undefined, width: number, height: number): [number, number] {
  const near = exact && Math.abs(exact.inlineSize - width) < 2 && Math.abs(exact.blockSize - height) < 2
  return near ? [exact.inlineSize, exact.blockSize] : [Math.round(width), Math.round(height)]
}
