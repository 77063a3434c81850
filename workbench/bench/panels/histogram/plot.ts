// Counts of the view's pixels by value: as shown (display), or before the stretch with a line and a curve, all of the
// light (linear) or only what lies around the sky (near), where black can be set by a hair.

import { attribute, button, make, makeSvg } from "../../page/shared/dom"
import { oneTabStop } from "../../page/shared/keys"
import { type Model, watchState } from "../../page/shared/model"
import { plainNumber } from "../../page/shared/numbers"
import type { Mount } from "../../page/shared/panel"
import { remember, remembered } from "../../page/shared/remembered"
import { statusLine } from "../../page/shared/telling"
import { SettingLine } from "./line"
import { CurvePoints } from "./points"
import type { Counts, Curve, HistogramState, Range, ViewName } from "./state"

const PLOT = { left: 12, right: 12, top: 24, bottom: 24 }
const NARROW = 340 // CSS pixels of width below which a caption must be short
const FOLDED = "histogram-folded"
const LOG_FLOOR = 0.6 // so that a single pixel still stands above the axis

/** Heights 0..1 of counts, all channels on one scale. */
function heights(counts: Counts, log: boolean) {
  const size = log ? (count: number) => Math.max(Math.log(count / LOG_FLOOR), 0) : (count: number) => count
  // The end bins hold everything outside; they must not press the rest down.
  const inner = counts.flatMap((channel) => channel.slice(1, -1))
  const top = size(inner.reduce((a, b) => Math.max(a, b), 1)) || 1
  return counts.map((channel) => channel.map((count) => Math.min((count > 0 ? size(count) : 0) / top, 1)))
}

/** Round places for labels between `low` and `top`. */
function ticks(low: number, top: number) {
  const rough = (top - low) / 5
  const power = 10 ** Math.floor(Math.log10(rough))
  const step = [1, 2, 5, 10].map((m) => m * power).find((s) => s >= rough) ?? rough
  const [first, last] = [Math.ceil(low / step - 1e-9), Math.floor(top / step + 1e-9)]
  return Array.from({ length: last - first + 1 }, (_, i) => (first + i) * step)
}

const channelNames = (count: number) => (count === 3 ? ["R", "G", "B"] : ["L"])

/** From values to places on the page. */
export type Scale = (value: number) => number

export class HistogramPlot {
  width = 0
  height = 0
  log = true
  view: ViewName = "display"
  #chosen = false // the person chose a view
  #range: Range = { counts: [], low: 0, top: 1 }
  readonly status = statusLine()
  readonly buttons: Record<string, HTMLButtonElement> = {}
  readonly key = make("div", { class: "wt-group wt-label" })
  readonly svg = makeSvg("svg", { role: "img", "aria-label": "Histogram" })
  readonly signal: AbortSignal
  readonly line: SettingLine
  readonly points: CurvePoints
  readonly plot: HTMLElement

  constructor(
    readonly model: Model<HistogramState>,
    { root, signal }: Mount,
  ) {
    this.signal = signal
    this.line = new SettingLine(this)
    this.points = new CurvePoints(this)
    this.plot = make("div", { class: "wt-plot" }, this.svg, this.points.element, this.line.element)
    this.#build(root)
    watchState(model, () => this.#stateChanged(), signal)
    const observer = new ResizeObserver(() => this.update())
    observer.observe(this.plot)
    signal.addEventListener("abort", () => observer.disconnect())
    this.log = this.state.log ?? true
    this.update()
  }

  get state(): HistogramState {
    return this.model.get("state") ?? {}
  }

  #stateChanged() {
    this.line.stateChanged()
    this.points.stateChanged()
    this.update()
  }

  #build(root: HTMLElement) {
    const views = make("div", { class: "wt-group", role: "toolbar", "aria-label": "Which values are counted" })
    for (const [name, words] of [
      ["linear", "Linear"],
      ["near", "Near the sky"],
      ["display", "Display"],
    ] as const) {
      this.buttons[name] = button(words, () => this.#choose(name), { pressed: false })
      views.append(this.buttons[name])
    }
    const fold = button("▾", () => turn(root.dataset.folded === undefined), {
      class: "wt-button wt-quiet wt-fold",
      "aria-label": "Histogram",
      "aria-expanded": "true",
      title: "fold the histogram, or unfold it",
    })
    const turn = (folded: boolean) => {
      attribute(root, "data-folded", folded)
      attribute(fold, "aria-expanded", String(!folded))
      fold.textContent = folded ? "▸ Histogram" : "▾"
      remember(FOLDED, folded ? "yes" : null)
    }
    turn(remembered(FOLDED) !== null)
    this.buttons.log = button("Log counts", () => this.#turnLog(), { pressed: true })
    oneTabStop(views, this.signal)
    root.append(
      make(
        "div",
        { class: "wt-row" },
        fold,
        make("h3", {}, "Histogram"),
        views,
        this.buttons.log,
        make("span", { class: "wt-grow" }),
        this.key,
      ),
      this.plot,
      this.status.element,
    )
  }

  #choose(view: ViewName) {
    this.#chosen = true
    this.view = view
    this.update()
  }

  #turnLog() {
    this.log = !this.log
    this.update()
  }

  /** The light at a place across the page. */
  lightAt(clientX: number): number {
    const box = this.plot.getBoundingClientRect()
    const share = (clientX - box.left - PLOT.left) / (this.width - PLOT.left - PLOT.right)
    const { low, top } = this.#range
    return low + share * (top - low)
  }

  /** The value at a place across the page, and the share of the plot's height. */
  valueAt(clientX: number, clientY: number): [number, number] {
    const box = this.plot.getBoundingClientRect()
    const bottom = box.top + this.height - PLOT.bottom
    return [this.lightAt(clientX), (bottom - clientY) / (this.height - PLOT.top - PLOT.bottom)]
  }

  // -- drawing ------------------------------------------------------------------------------------

  update(): void {
    const { state } = this
    this.width = this.plot.clientWidth
    this.height = this.plot.clientHeight
    // Under a curve stand the counts of what goes through it.
    const shown: Range = { counts: state.tone?.counts ?? state.display ?? [], low: 0, top: 1 }
    const ranges: Record<ViewName, Range | null> = {
      linear: state.linear?.length ? { counts: state.linear, low: 0, top: state.linear_top ?? 1 } : null,
      near: state.near ?? null,
      display: shown,
    }
    if (!this.#chosen) this.view = state.view ?? "display"
    const view: ViewName = ranges[this.view] ? this.view : ranges.linear && this.view === "near" ? "linear" : "display"
    this.#range = ranges[view] ?? shown
    this.line.remember(state)
    for (const name of Object.keys(ranges)) attribute(this.buttons[name], "aria-pressed", String(view === name))
    this.buttons.linear.disabled = !ranges.linear
    this.buttons.linear.title = ranges.linear
      ? "all light before the stretch"
      : "there is no linear frame behind this view"
    this.buttons.near.disabled = !ranges.near
    this.buttons.near.title = ranges.near
      ? "the light around the sky, wide enough to set black by a hair"
      : "no stretch has measured the sky of this view"
    attribute(this.buttons.log, "aria-pressed", String(this.log))
    if (this.width > 0) this.#draw(view, this.#range)
  }

  #draw(view: ViewName, { counts, low, top }: Range): void {
    const [left, right] = [PLOT.left, this.width - PLOT.right]
    const bottom = this.height - PLOT.bottom
    const x = (value: number) => left + ((value - low) / (top - low)) * (right - left)
    const y = (share: number) => bottom - share * (bottom - PLOT.top)
    const parts = [...axis(x, bottom, left, right, low, top), ...this.#captions(view, right)]
    const names = channelNames(counts.length)
    heights(counts, this.log).forEach((channel, i) => {
      const points = channel.map(
        (share, bin) => `${x(low + ((bin + 0.5) / channel.length) * (top - low)).toFixed(1)} ${y(share).toFixed(1)}`,
      )
      parts.push(makeSvg("path", { class: "wt-counts", "data-channel": names[i] ?? "L", d: `M${points.join("L")}` }))
    })
    const { measured } = this.line
    if (view !== "display" && measured?.curve) parts.push(...this.#curve(measured.curve, measured.old, x, y, low, top))
    if (view === "display") parts.push(...this.points.drawn(x, y))
    this.svg.replaceChildren(...parts)
    attribute(this.svg, "viewBox", `0 0 ${this.width} ${this.height}`)
    attribute(this.svg, "aria-label", this.#words(view, counts, low, top))
    this.#paintKey(names.slice(0, counts.length))
    this.line.place(view !== "display", x, left, right)
    this.points.place(view === "display", x, y)
  }

  #captions(view: ViewName, right: number) {
    const words = {
      linear: "linear light, share of the white level",
      near: "light around the sky, share of the white level",
      display: "display value, 0 black to 1 white",
    }[view]
    const counts = this.log ? "↑ pixels, logarithmic" : "↑ pixels"
    const all = `${counts}   → ${words}`
    // A narrow plot says what lies across; that the height is a count, a histogram's reader knows.
    const caption = this.width < NARROW ? `→ ${words}` : all
    return [makeSvg("text", { x: right, y: PLOT.top - 9, "text-anchor": "end" }, caption)]
  }

  #curve(curve: Curve, old: boolean, x: Scale, y: Scale, low: number, top: number) {
    const shown = between(curve, low, top)
    const d = `M${shown.map(([light, code]) => `${x(light).toFixed(1)} ${y(code).toFixed(1)}`).join("L")}`
    const [light, code] = shown[Math.floor(shown.length * 0.8)] ?? [0, 0]
    const under = Math.min(y(code) + 16, this.height - PLOT.bottom - 4)
    return [
      makeSvg("path", { class: `wt-curve${old ? " wt-old" : ""}`, d }),
      makeSvg(
        "text",
        {
          class: "wt-curve-word",
          x: Math.min(x(light), this.width - PLOT.right - 84),
          y: under,
          "text-anchor": "middle",
        },
        "stretch curve, top is white",
      ),
    ]
  }

  #paintKey(names: string[]) {
    if (this.key.dataset.names === names.join()) return
    this.key.dataset.names = names.join()
    const words: Record<string, string> = { R: "red", G: "green", B: "blue", L: "light" }
    const sample = (name: string) =>
      makeSvg(
        "svg",
        { class: "wt-key", "data-channel": name, "aria-hidden": "true" },
        makeSvg("path", { d: "M0 4H26" }),
      )
    this.key.replaceChildren(...names.map((name) => make("span", { class: "wt-group" }, sample(name), words[name])))
  }

  #words(view: ViewName, counts: Counts, low: number, top: number) {
    const place = (bin: number) => low + ((bin + 0.5) / 256) * (top - low)
    const most = counts.map((channel) =>
      plainNumber(place(channel.indexOf(channel.reduce((a, b) => Math.max(a, b), 0)))),
    )
    const peaks = channelNames(counts.length).map((name, i) => `${name} ${most[i]}`)
    const what = view === "near" ? "linear values around the sky" : `${view} values`
    return `Histogram of ${what} from ${plainNumber(low)} to ${plainNumber(top)}; most pixels at ${peaks.join(", ")}`
  }
}

/** The part of a line of points [x, y] between two places, cut there. */
function between(points: Curve, low: number, top: number): Curve {
  const at = (place: number): Curve => {
    const after = points.findIndex(([x]) => x > place)
    if (after <= 0) return []
    const [[xa, ya], [xb, yb]] = [points[after - 1], points[after]]
    return [[place, ya + ((place - xa) / (xb - xa)) * (yb - ya)]]
  }
  return [...at(low), ...points.filter(([x]) => x >= low && x <= top), ...at(top)]
}

function axis(x: Scale, bottom: number, left: number, right: number, low: number, top: number) {
  const marks = ticks(low, top).map((value) => [
    makeSvg("path", { class: "wt-axis", d: `M${x(value)} ${bottom}v5` }),
    makeSvg(
      "text",
      {
        x: x(value),
        y: bottom + 17,
        "text-anchor": x(value) > right - 12 ? "end" : x(value) < left + 12 ? "start" : "middle",
      },
      plainNumber(value),
    ),
  ])
  return [makeSvg("path", { class: "wt-axis", d: `M${left} ${bottom}H${right}` }), ...marks.flat()]
}
