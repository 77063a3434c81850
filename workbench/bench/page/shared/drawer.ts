// A panel in a drawer: a button of the toolbar pulls it out. Which one is out stands on the element of the bench.

import { ask } from "./ask"
import { benchOf, onceShown } from "./bench"
import { attribute } from "./dom"
import { onKeys } from "./keys"
import { type Message, type Model, watchState } from "./model"
import type { Mount } from "./panel"
import { type Act, actor, statusLine, type StatusLine } from "./telling"

/** Something that takes a while, told to the toolbar as an event: who takes it (`preventDefault`) shows how it goes,
 *  and tells what goes wrong. */
export const WORK = "wt-work"

export interface Work {
  doing: string
  stoppable: boolean
  done: Promise<unknown>
}

/** The drawer that is out; empty: none. */
export const drawerOut = (bench: HTMLElement): string => bench.dataset.drawer ?? ""

/** Pull a drawer out (and the one that was out, in); null: all in. */
export const pull = (bench: HTMLElement, name: string | null): void => attribute(bench, "data-drawer", name ?? "")

/** Whether something long goes on. */
export const isBusy = (bench: HTMLElement): boolean => bench.dataset.busy !== undefined

/** Call `react` when another drawer is pulled out, and when something long begins or ends. */
export function watchDrawers(bench: HTMLElement, react: () => void, signal: AbortSignal): void {
  const observer = new MutationObserver(react)
  observer.observe(bench, { attributes: true, attributeFilter: ["data-drawer", "data-busy"] })
  signal.addEventListener("abort", () => observer.disconnect(), { once: true })
}

export abstract class DrawerPanel<State> {
  readonly root: HTMLElement
  readonly signal: AbortSignal
  readonly status: StatusLine = statusLine()
  readonly act: Act
  #working = 0

  constructor(
    readonly name: string,
    readonly model: Model<State>,
    { root, signal }: Mount,
  ) {
    this.root = root
    this.signal = signal
    this.act = actor(model, this.status)
  }

  get state(): Partial<State> {
    return this.model.get("state") ?? {}
  }

  /** Whether something long goes on, here or elsewhere on the bench. */
  get busy(): boolean {
    const bench = benchOf(this.root)
    return this.#working > 0 || (bench !== null && isBusy(bench))
  }

  /** Show what the panel is made of, and follow its state and the toolbar. */
  protected build(...parts: HTMLElement[]): void {
    const { root, signal } = this
    root.classList.add("wt-drawer", "wt-card")
    root.append(...parts, this.status.element)
    onKeys(root, { Escape: () => this.putIn(true) }, signal)
    watchState(this.model, () => this.update(this.state), signal)
    this.update(this.state)
    // Seen is the place that the notebook made for the panel, as a drawer that is in has no size.
    onceShown(root.parentElement ?? root, signal, () => {
      const bench = benchOf(root)
      if (!bench) {
        this.shown()
        return
      }
      const follow = () => {
        const out = drawerOut(bench) === this.name
        const was = root.dataset.out !== undefined
        attribute(root, "data-out", out)
        if (out && !was) this.shown()
        this.update(this.state)
      }
      watchDrawers(bench, follow, signal)
      this.placed(bench)
      follow()
    })
  }

  /** Put the drawer in; `back`: the keyboard goes back to the button that pulled it out. */
  putIn(back = false): void {
    const bench = benchOf(this.root)
    if (!bench) return
    pull(bench, null)
    if (back) bench.querySelector<HTMLElement>(`button[data-drawer="${this.name}"]`)?.focus()
  }

  /** Ask for something that takes a while; the toolbar says so, and that it failed. */
  async long(name: string, args: Message, doing: string, stoppable = false): Promise<unknown> {
    const done = ask(this.model, name, args)
    const detail: Work = { doing, stoppable, done }
    const told = new CustomEvent(WORK, { bubbles: true, cancelable: true, detail })
    const alone = this.root.dispatchEvent(told)
    this.#working += 1
    this.status.clear()
    this.update(this.state)
    try {
      return await done
    } catch (error) {
      if (alone) this.status.fail(error)
      return undefined
    } finally {
      this.#working -= 1
      this.update(this.state)
    }
  }

  /** It has its place on a bench. */
  protected placed(_bench: HTMLElement): void {}

  /** It was pulled out. */
  protected shown(): void {}

  protected abstract update(state: Partial<State>): void
}
