// A line that tells what happened; screen readers hear it.

import { ask, type AskOptions } from "./ask"
import { benchOf } from "./bench"
import { make } from "./dom"
import type { Message, Model } from "./model"

const SOON = 250 // ms in which a kernel that is free has answered

/** `say` for news, `fail` for what went wrong. */
export interface StatusLine {
  element: HTMLElement
  say: (text: string) => void
  fail: (error: unknown) => void
  clear: () => void
}

/** `changed(told)` is called with whether something stands in the line now. */
export function statusLine(changed: (told: boolean) => void = () => {}): StatusLine {
  const news = make("span", { role: "status" })
  const alarm = make("span", { role: "alert", class: "wt-alarm" })
  const element = make("p", { class: "wt-status" }, news, alarm)
  const show = (target: HTMLElement, other: HTMLElement, text: string) => {
    other.textContent = ""
    if (target.textContent !== text) target.textContent = text
    changed(text !== "")
  }
  return {
    element,
    say: (text) => show(news, alarm, text),
    fail: (error) => show(alarm, news, error instanceof Error ? error.message : String(error)),
    clear: () => show(news, alarm, ""),
  }
}

/** Asks the kernel and tells in the status line when it fails; the promise brings undefined then. */
export type Act = (name: string, args?: Message, options?: AskOptions) => Promise<unknown>

export function actor<State>(model: Model<State>, status: StatusLine): Act {
  return async (name, args = {}, options = {}) => {
    const waits = setTimeout(() => {
      if (benchOf(status.element)?.dataset.kernel === "busy") status.say("this is done as soon as the kernel is free")
    }, SOON)
    try {
      const value = await ask(model, name, args, options)
      status.clear()
      return value
    } catch (error) {
      status.fail(error)
      return undefined
    } finally {
      clearTimeout(waits)
    }
  }
}
