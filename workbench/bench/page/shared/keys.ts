// The keyboard: keys by name, groups that are one stop of the Tab key, sliders.

import { clamp } from "./numbers"

/** A key press as words: "Enter", "Shift+ArrowLeft", "Ctrl+z" (Cmd counts as Ctrl). */
export function keyName(event: KeyboardEvent): string {
  const held: string[] = []
  if (event.ctrlKey || event.metaKey) held.push("Ctrl")
  if (event.altKey) held.push("Alt")
  // For letters and signs Shift is already in the key itself.
  if (event.shiftKey && event.key.length > 1) held.push("Shift")
  return [...held, event.key].join("+")
}

/** Whether keys go into a text field now. */
export function isTyping(target: EventTarget | null): boolean {
  const fields = "input:not([type=range],[type=checkbox],[type=radio]), textarea, select, [contenteditable]"
  return target instanceof Element && Boolean(target.closest(fields))
}

/** What keys do, by name. A reaction that returns `false` leaves the key to others. */
export type Reactions = Record<string, (event: KeyboardEvent) => unknown>

/** React to keys by name: `onKeys(root, { Escape: cancel, "Ctrl+z": undo }, signal)`. */
export function onKeys(element: HTMLElement, reactions: Reactions, signal: AbortSignal): void {
  const press = (event: KeyboardEvent) => {
    const react = reactions[keyName(event)]
    if (!react || isTyping(event.target) || react(event) === false) return
    event.preventDefault()
    event.stopPropagation()
  }
  element.addEventListener("keydown", press, { signal })
}

/** A group of buttons that is one stop of the Tab key; arrows move inside. Call again after its buttons changed. */
export function oneTabStop(group: HTMLElement, signal: AbortSignal): void {
  const every = () => [...group.querySelectorAll("button")]
  const buttons = () => every().filter((each) => !each.disabled && each.offsetParent !== null)
  const stop = (chosen: Element | null | undefined) => {
    for (const each of every()) each.tabIndex = each === chosen ? 0 : -1
  }
  const step = (by: number) => {
    const all = buttons()
    const now = all.findIndex((each) => each === document.activeElement)
    const next = all[(now + by + all.length) % all.length]
    stop(next)
    next?.focus()
  }
  if (!group.dataset.oneTabStop) {
    group.dataset.oneTabStop = "true"
    const back = () => step(-1)
    const on = () => step(1)
    onKeys(group, { ArrowLeft: back, ArrowUp: back, ArrowRight: on, ArrowDown: on }, signal)
    const focused = (event: FocusEvent) => stop(event.target instanceof Element ? event.target.closest("button") : null)
    group.addEventListener("focusin", focused, { signal })
  }
  const all = every()
  stop(
    all.find((each) => each.tabIndex === 0 && !each.disabled && each === document.activeElement) ??
      all.find((each) => each.ariaPressed === "true") ??
      all[0],
  )
}

export interface Range {
  min: number
  max: number
  step: number
  big?: number
}

/** The value that a key gives to a slider: arrows by `step` (Shift: ten), pages by `big`, Home and End; else null. */
export function slidTo(event: KeyboardEvent, value: number, { min, max, step, big = 10 * step }: Range): number | null {
  const by = event.shiftKey ? 10 * step : step
  const moves: Record<string, number> = {
    ArrowRight: by,
    ArrowUp: by,
    ArrowLeft: -by,
    ArrowDown: -by,
    PageUp: big,
    PageDown: -big,
  }
  if (event.key === "Home") return min
  if (event.key === "End") return max
  const move = moves[event.key]
  return move === undefined || event.ctrlKey || event.metaKey || event.altKey ? null : clamp(value + move, min, max)
}
