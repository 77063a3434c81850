// Before and after: the divider, and the choice of what lies on its other side.

import { attribute, button, freshId, make } from "../../page/shared/dom"
import { slidTo } from "../../page/shared/keys"
import type { Message } from "../../page/shared/model"
import { plainWords } from "../../page/shared/numbers"
import type { PictureBench } from "./picture"
import type { ViewerState } from "./state"

/** What is on the left and the right of the divider, in words. */
export function compareWords(state: ViewerState): [left: string, right: string] {
  const { kind = "none", step, name, upto } = state.compare ?? {}
  const left = kind === "variant" ? `variant ${name}` : kind === "step" ? stepWords(state, step ?? 0) : "the stack"
  return [left, isPlace(upto) ? stepWords(state, upto) : "the recipe"]
}

/** Whether a number of steps is given. */
export const isPlace = (value: number | null | undefined): value is number => Number.isInteger(value)

/** The picture after the first `count` steps. */
function stepWords(state: ViewerState, count: number): string {
  const steps = state.steps ?? []
  return count > 0 && count <= steps.length ? `after ${count}. ${plainWords(steps[count - 1])}` : "the stack"
}

export interface Divider {
  element: HTMLElement
  /** Stand at a share of the stage's width, between sides of these names. */
  update: (share: number, leftWords: string, rightWords: string) => void
}

/** A line that can be dragged, or moved by keys, across the stage. */
export function makeDivider(bench: PictureBench): Divider {
  const left = make("span", { class: "wt-side wt-left" })
  const right = make("span", { class: "wt-side wt-right" })
  const element = make(
    "div",
    {
      class: "wt-divider",
      role: "slider",
      tabindex: "0",
      hidden: true,
      "aria-orientation": "horizontal",
      "aria-label": "Divider between before and now",
      "aria-valuemin": "0",
      "aria-valuemax": "100",
    },
    [left, right],
  )
  const signal = { signal: bench.signal }
  const pull = (event: PointerEvent) => {
    if (!element.hasPointerCapture(event.pointerId)) return
    const box = bench.parts.stage.getBoundingClientRect()
    bench.moveDivider((event.clientX - box.left) / box.width)
  }
  element.addEventListener(
    "pointerdown",
    (event) => {
      element.setPointerCapture(event.pointerId)
      element.focus({ preventScroll: true })
      event.preventDefault()
    },
    signal,
  )
  element.addEventListener("pointermove", pull, signal)
  element.addEventListener(
    "keydown",
    (event) => {
      const share = slidTo(event, bench.divider, { min: 0, max: 1, step: 0.01 })
      if (share === null) return
      event.preventDefault()
      event.stopPropagation()
      bench.moveDivider(share)
    },
    signal,
  )
  const update = (share: number, leftWords: string, rightWords: string) => {
    element.style.left = `${100 * share}%`
    attribute(element, "aria-valuenow", Math.round(100 * share))
    attribute(element, "aria-valuetext", `${Math.round(100 * share)} % ${leftWords}, the rest ${rightWords}`)
    left.textContent = leftWords
    right.textContent = rightWords
  }
  return { element, update }
}

export interface Compare {
  element: HTMLElement
  /** `peeking`: "before" is only borrowed, which is not the person's choice. */
  update: (state: ViewerState, peeking: boolean) => void
}

/** The choice of the other side, and the button that shows it while it is held. */
export function makeCompare(bench: PictureBench): Compare {
  const id = freshId("compare")
  const before = make("select", { id, class: "wt-select" })
  const now = make("select", { class: "wt-select", "aria-label": "and show on the right of the divider" })
  const chosen = () => {
    const [kind, value] = before.value.split(/:(.*)/s)
    const args: Message = {}
    if (kind === "step") args.step = Number(value)
    if (kind === "variant") args.variant = value
    if (kind !== "none" && !now.hidden && now.value !== "") args.upto = Number(now.value)
    void bench.act("compare", args)
  }
  before.addEventListener("change", chosen)
  now.addEventListener("change", chosen)
  const hold = button("Hold for before", () => {}, { title: "press and hold, or hold the key B on the picture" })
  holdable(hold, (down) => bench.hold(down), bench.signal)
  const element = make(
    "div",
    { class: "wt-group" },
    make("label", { class: "wt-label", for: id }, "Compare with"),
    before,
    now,
    hold,
  )

  let shown = ""
  const update = (state: ViewerState, peeking: boolean) => {
    const { steps = [], variants = [] } = state
    const { kind = "none", step, name, upto } = state.compare ?? {}
    const words = JSON.stringify([steps, variants])
    if (words !== shown) {
      shown = words
      const after = steps.map((_, i) => ({ value: i + 1, words: stepWords(state, i + 1) }))
      const earlier = [{ value: 0, words: "the stack" }, ...after.slice(0, -1)]
      before.replaceChildren(
        make("option", { value: "none" }, "nothing"),
        ...earlier.map((each) => make("option", { value: `step:${each.value}` }, each.words)),
        ...variants.map((each) => make("option", { value: `variant:${each}` }, `variant ${each}`)),
      )
      now.replaceChildren(
        make("option", { value: "" }, "the recipe"),
        ...after.slice(0, -1).map((each) => make("option", { value: each.value }, each.words)),
      )
    }
    // Only a kernel that says so can show part of the recipe on this side.
    now.hidden = kind === "none" || peeking || upto === undefined
    if (!peeking) before.value = kind === "step" ? `step:${step}` : kind === "variant" ? `variant:${name}` : "none"
    now.value = isPlace(upto) ? String(upto) : ""
  }
  return { element, update }
}

/** `react(true)` while a button is pressed by pointer or key, `react(false)` when it is let go. */
function holdable(element: HTMLElement, react: (down: boolean) => void, signal: AbortSignal): void {
  const options = { signal }
  element.addEventListener(
    "pointerdown",
    (event) => {
      element.setPointerCapture(event.pointerId)
      react(true)
    },
    options,
  )
  for (const name of ["pointerup", "pointercancel", "blur"]) element.addEventListener(name, () => react(false), options)
  const isPress = (event: KeyboardEvent) => event.key === " " || event.key === "Enter"
  element.addEventListener("keydown", (event) => isPress(event) && !event.repeat && react(true), options)
  element.addEventListener("keyup", (event) => isPress(event) && react(false), options)
}
