// Tools on the picture: what a drag, a click or a key does, and what is drawn meanwhile.
// Rectangles are in frame coordinates with pixel edges at whole numbers: { x0, y0, x1, y1 }.

const TOOLS = {
  look: { words: "Look", help: "Drag to move the picture; double-click for 1:1 and back." },
  place: { words: "Loupe", help: "Click a place to see its exact pixels at 1:1; Enter takes the middle." },
  crop: {
    words: "Crop",
    help: "Drag the edges, or draw a frame. Enter applies, Escape puts it away.",
    draws: true,
  },
  exclude: {
    words: "Exclude",
    help: "Draw a region where no sky is measured. Enter starts one in the middle.",
    draws: true,
  },
  sample: {
    words: "Sky sample",
    help: "Click where the sky is bare; drag a mark to move it, Delete takes it away. Enter adds one in the middle.",
  },
  white: {
    words: "White",
    help: "Draw a region whose light shall be white. Enter starts one in the middle.",
    draws: true,
  },
}

/** A rectangle after dragging one of its handles by (dx, dy); stays in the frame and never turns inside out. */
function dragged(rect, handle, dx, dy, frame) {
  if (handle === "move") {
    const [mx, my] = [clamp(dx, -rect.x0, frame.width - rect.x1), clamp(dy, -rect.y0, frame.height - rect.y1)]
    return { x0: rect.x0 + mx, x1: rect.x1 + mx, y0: rect.y0 + my, y1: rect.y1 + my }
  }
  const next = { ...rect }
  if (handle.includes("w")) next.x0 = clamp(rect.x0 + dx, 0, rect.x1 - 1)
  if (handle.includes("e")) next.x1 = clamp(rect.x1 + dx, rect.x0 + 1, frame.width)
  if (handle.includes("n")) next.y0 = clamp(rect.y0 + dy, 0, rect.y1 - 1)
  if (handle.includes("s")) next.y1 = clamp(rect.y1 + dy, rect.y0 + 1, frame.height)
  return next
}

/** The rectangle between two places, cut to the frame. */
function between([xa, ya], [xb, yb], frame) {
  const [x0, x1] = [xa, xb].sort((a, b) => a - b).map((x) => clamp(x, 0, frame.width))
  const [y0, y1] = [ya, yb].sort((a, b) => a - b).map((y) => clamp(y, 0, frame.height))
  return { x0, y0, x1, y1 }
}

const tenths = (value) => Math.round(value * 10) / 10

/** A drawn rectangle as the region that recipes keep; their places are pixel centres. */
function excludeOf({ x0, y0, x1, y1 }, shape) {
  if (shape === "ellipse") {
    const [x, y] = [tenths((x0 + x1 - 1) / 2), tenths((y0 + y1 - 1) / 2)]
    return { shape, x, y, along: tenths((x1 - x0) / 2), across: tenths((y1 - y0) / 2), angle_deg: 0 }
  }
  return { shape, x0: tenths(x0 - 0.5), y0: tenths(y0 - 0.5), x1: tenths(x1 - 0.5), y1: tenths(y1 - 0.5) }
}

class Tools {
  rect = null // being edited, not yet applied
  shape = "rectangle"
  #nudge = null // a sample being moved by keys

  /** `bench` gives view, act(name, args), state(), changed() and unit(). */
  constructor(bench) {
    this.bench = bench
    this.handles = new Handles(bench, this)
    this.hint = make("div", { class: "wt-hint wt-row" })
  }

  get name() {
    return this.bench.state().tool ?? "look"
  }

  get draws() {
    return Boolean(TOOLS[this.name]?.draws)
  }

  /** The rectangle on the stage; a crop starts from the crop that the recipe has. */
  get region() {
    if (this.rect || this.name !== "crop" || !this.bench.view.known) return this.rect
    const { width, height } = this.bench.view.frame
    const { top = 0, right = 0, bottom = 0, left = 0 } = this.bench.state().overlay_data?.crop ?? {}
    return { x0: left, y0: top, x1: Math.max(width - right, left + 1), y1: Math.max(height - bottom, top + 1) }
  }

  get isWhole() {
    const { width, height } = this.bench.view.frame
    const { x0, y0, x1, y1 } = this.region
    return x0 <= 0 && y0 <= 0 && x1 >= width && y1 >= height
  }

  // -- what a person does -------------------------------------------------------------------------

  start(handle, from) {
    this.drag = { handle, from, rect: this.region }
  }

  draw(from, to) {
    this.rect = between(from, to, this.bench.view.frame)
    this.bench.changed()
  }

  pull(dx, dy) {
    const { handle, rect } = this.drag
    this.rect = dragged(rect, handle, dx, dy, this.bench.view.frame)
    this.bench.changed()
  }

  /** A drag on the bare stage ended: regions are kept at once, a crop waits to be applied. */
  drawn() {
    const { rect } = this
    const tiny = !rect || rect.x1 - rect.x0 < 2 || rect.y1 - rect.y0 < 2
    if (tiny) this.cancel()
    else if (this.name !== "crop") this.apply()
  }

  apply() {
    const { region: rect, name } = this
    if (!rect) return
    const { width, height } = this.bench.view.frame
    const [x0, y0, x1, y1] = [rect.x0, rect.y0, rect.x1, rect.y1].map(Math.round)
    this.rect = null
    if (name === "crop") {
      this.bench.act("crop_to", { top: y0, right: width - x1, bottom: height - y1, left: x0 })
      this.bench.act("tool", { name: "look" })
    }
    if (name === "exclude") this.bench.act("exclude", { region: excludeOf(rect, this.shape) })
    if (name === "white") {
      this.bench.act("white_region", { y0, x0, y1, x1 })
      this.bench.act("tool", { name: "look" })
    }
    this.bench.changed()
  }

  cancel() {
    const nothing = !this.rect
    this.rect = null
    if (nothing && this.name !== "look") this.bench.act("tool", { name: "look" })
    this.bench.changed()
    this.bench.focus()
  }

  /** Enter on the picture: apply what is drawn, or begin in the middle of what is seen. */
  enter() {
    const { view } = this.bench
    const middle = view.toFrame(view.stage.width / 2, view.stage.height / 2)
    if (this.name === "place") this.bench.lookAt(middle)
    else if (this.name === "sample") this.sample(middle)
    else if (this.draws && this.region) this.apply()
    else if (this.draws) {
      const seen = view.visible()
      if (!seen) return
      const [dx, dy] = [seen.width / 8, seen.height / 8]
      this.draw([middle[0] - dx, middle[1] - dy], [middle[0] + dx, middle[1] + dy])
      this.handles.place() // they must be there to take the focus
      this.handles.focus("move")
    }
  }

  sample([x, y]) {
    const { width, height } = this.bench.view.frame
    if (x < 0 || y < 0 || x >= width || y >= height) return
    this.bench.act("sample", { y: tenths(y - 0.5), x: tenths(x - 0.5) })
  }

  moveSample(number, [x, y]) {
    const { width, height } = this.bench.view.frame
    const place = { x: tenths(clamp(x - 0.5, 0, width - 1)), y: tenths(clamp(y - 0.5, 0, height - 1)) }
    return this.bench.act("move_sample", { number, ...place })
  }

  /** Arrow keys on a handle or a sample; one press is one screen pixel, with Shift ten. */
  nudge(event) {
    const moves = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }
    const move = moves[event.key]
    const { handle, sample, exclude } = event.target.dataset
    if (sample !== undefined && (event.key === "Delete" || event.key === "Backspace")) {
      this.bench.act("remove_sample", { number: Number(sample) })
      this.bench.focus()
      return true
    }
    if (!move || exclude !== undefined || (handle === undefined && sample === undefined)) return false
    const by = (event.shiftKey ? 10 : 1) * Math.max(1, Math.round(this.bench.unit() / this.bench.view.zoom))
    if (handle !== undefined) {
      this.start(handle)
      this.pull(move[0] * by, move[1] * by)
    } else this.#nudgeSample(Number(sample), move[0] * by, move[1] * by)
    return true
  }

  #nudgeSample(number, dx, dy) {
    const samples = this.bench.state().overlay_data?.given_samples ?? []
    const from = this.#nudge?.number === number ? this.#nudge.at : middleOf(samples[number])
    clearTimeout(this.#nudge?.timer)
    const at = [from[0] + dx, from[1] + dy]
    // Every move measures the sky anew, so it is told when the key rests.
    const timer = setTimeout(() => this.moveSample(number, at).then(() => (this.#nudge = null)), 350)
    this.#nudge = { number, at, timer }
    this.bench.changed()
  }

  /** Where a sample is: in the hand, or where the recipe has it. */
  samplePlace(number, samples) {
    if (this.#nudge?.number === number) return this.#nudge.at
    if (this.drag?.sample === number) return this.drag.at
    return middleOf(samples[number])
  }

  // -- what is seen -------------------------------------------------------------------------------

  /** Draw the frame being edited, with thirds for composing. */
  paint(pen) {
    const { region, name } = this
    if (!region) return
    const { context, view } = pen
    const [left, top] = view.toStage(region.x0, region.y0)
    const [right, bottom] = view.toStage(region.x1, region.y1)
    const outline =
      name === "exclude" && this.shape === "ellipse"
        ? ellipseIn(left, top, right, bottom)
        : rectangle(left, top, right, bottom)
    if (name === "crop") {
      const rest = rectangle(...view.toStage(0, 0), ...view.toStage(view.frame.width, view.frame.height))
      rest.addPath(outline)
      context.fillStyle = "rgb(16 14 12 / 0.62)"
      context.fill(rest, "evenodd")
      stroke(pen, thirds(left, top, right, bottom), { width: 0.5, color: "rgb(255 227 163 / 0.5)" })
    }
    stroke(pen, outline, { width: 1.5 })
  }

  /** The words beside the picture that say what the tool does, with its buttons. */
  paintHint() {
    const { name, region } = this
    const words = JSON.stringify([name, this.shape, region && sizeWords(region), Boolean(this.rect)])
    if (this.hint.dataset.words === words) return
    this.hint.dataset.words = words
    const focused = this.hint.contains(document.activeElement) ? document.activeElement.textContent : null
    const parts = [make("span", { class: "wt-grow" }, TOOLS[name]?.help ?? "")]
    if (region) parts.push(make("span", { class: "wt-figures" }, sizeWords(region)))
    if (name === "exclude") {
      for (const shape of ["rectangle", "ellipse"]) {
        const choose = () => {
          this.shape = shape
          this.bench.changed()
        }
        parts.push(button(shape, choose, { pressed: this.shape === shape }))
      }
    }
    if (region) parts.push(button("Apply", () => this.apply(), { class: "wt-button wt-main" }))
    else if (this.draws || name === "sample" || name === "place")
      parts.push(button("In the middle", () => this.enter()))
    if (name !== "look") parts.push(button(this.rect ? "Cancel" : "Done", () => this.cancel()))
    this.hint.replaceChildren(...parts)
    if (focused) [...this.hint.querySelectorAll("button")].find((b) => b.textContent === focused)?.focus()
  }
}

const middleOf = ({ x, y }) => [x + 0.5, y + 0.5]

const sizeWords = ({ x0, y0, x1, y1 }) =>
  `${Math.round(x1) - Math.round(x0)} × ${Math.round(y1) - Math.round(y0)} px`

function rectangle(left, top, right, bottom) {
  const path = new Path2D()
  path.rect(left, top, right - left, bottom - top)
  return path
}

function ellipseIn(left, top, right, bottom) {
  const path = new Path2D()
  path.ellipse((left + right) / 2, (top + bottom) / 2, (right - left) / 2, (bottom - top) / 2, 0, 0, 2 * Math.PI)
  return path
}

function thirds(left, top, right, bottom) {
  const path = new Path2D()
  for (const share of [1 / 3, 2 / 3]) {
    const [x, y] = [left + share * (right - left), top + share * (bottom - top)]
    path.moveTo(x, top)
    path.lineTo(x, bottom)
    path.moveTo(left, y)
    path.lineTo(right, y)
  }
  return path
}
