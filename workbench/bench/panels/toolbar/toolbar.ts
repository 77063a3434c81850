// The toolbar above the picture: what is open, where it comes from and where it goes.

import { ask } from "../../page/shared/ask"
import { benchOf, onceShown } from "../../page/shared/bench"
import { attribute, button, make } from "../../page/shared/dom"
import { drawerOut, pull, type Work, WORK, watchDrawers } from "../../page/shared/drawer"
import { type Model, watchState } from "../../page/shared/model"
import type { Mount } from "../../page/shared/panel"
import { type Condition, watchKernel } from "../../page/shared/kernel"
import { divideRoom } from "../../page/shared/divider"
import { keepRoom, wholeWindow } from "../../page/shared/room"
import { type Act, actor, statusLine, type StatusLine } from "../../page/shared/telling"
import type { DrawerButton, ToolbarState } from "./state"

const KERNEL_WORDS: Record<Exclude<Condition, "hears">, [head: string, text: string]> = {
  busy: ["The kernel is busy.", "It computes a cell. What you do here waits, and is done when it is free."],
  away: ["The kernel is out of reach.", "The line to it is broken. The bench goes on when it is back."],
  lost: [
    "The kernel of this bench was stopped.",
    "What you click here is not done any more. Run the cell again, and the bench comes back as you left it.",
  ],
}

export class Toolbar {
  readonly root: HTMLElement
  readonly signal: AbortSignal
  readonly act: Act
  #drawers: [DrawerButton, HTMLButtonElement][] = []
  #told = ""
  #doing = 0
  #work: { doing: string; stoppable: boolean } | null = null // what is being measured or opened
  #stopping = false
  readonly status: StatusLine = statusLine((told) => {
    this.putAway.hidden = !told || !this.state.message
  })
  readonly name = make("h2", {})
  readonly about = make("p", { class: "wt-soft" })
  readonly remarks = make("ul", { class: "wt-remarks" })
  readonly presses = make("div", { class: "wt-group" })
  readonly suggest = button("Suggest a recipe", () => this.#suggest(), {
    class: "wt-button wt-main",
    title: "a recipe built from what is measured in this stack (can be undone)",
  })
  readonly bar = make("progress", { max: 1, "aria-label": "Progress" })
  readonly doing = make("span", {})
  readonly stop = button("Stop", () => this.#stop(), { title: "nothing is left half-done" })
  readonly progress = make("div", { class: "wt-row wt-progress", hidden: true }, this.bar, this.doing, this.stop)
  readonly putAway = button("Put away", () => this.#putAway(), {
    class: "wt-button wt-quiet",
    hidden: true,
    "aria-label": "put this message away",
  })
  readonly whole = button("Whole window", () => {}, {
    class: "wt-button wt-whole",
    pressed: false,
    title: "give the bench the whole window; Escape brings the notebook back",
  })
  readonly kernel = make("div", { class: "wt-kernel wt-card", role: "alert", hidden: true })
  #condition: Condition = "hears"
  readonly kept = make("p", { class: "wt-kept wt-soft" })

  constructor(
    readonly model: Model<ToolbarState>,
    { root, signal }: Mount,
  ) {
    this.root = root
    this.signal = signal
    this.act = actor(model, this.status)
    this.#build()
    watchState(model, () => this.update(), signal)
    this.update()
    onceShown(root, signal, () => {
      divideRoom(root, signal)
      watchDrawers(this.bench, () => this.#enable(), signal)
      this.bench.addEventListener(WORK, (event) => this.#take(event as CustomEvent<Work>), { signal })
    })
  }

  /** What the drawers are told by; the toolbar itself where it stands alone. */
  get bench(): HTMLElement {
    return benchOf(this.root) ?? this.root
  }

  get state(): ToolbarState {
    return this.model.get("state") ?? {}
  }

  #build() {
    const what = make("div", { class: "wt-what" }, this.name, this.about)
    const line = make("div", { class: "wt-row wt-told" }, this.progress, this.status.element, this.putAway, this.kept)
    this.root.append(
      make("div", { class: "wt-row wt-strip" }, make("div", { class: "wt-grow" }, what, line), this.presses),
      this.remarks,
      this.kernel,
    )
    const told = (condition: Condition) => {
      this.#condition = condition
      this.#showKernel()
    }
    watchKernel(this.model, this.root, told, this.signal)
    keepRoom(this.root, this.signal)
    wholeWindow(this.root, this.whole, this.signal)
  }

  #buildPresses(drawers: DrawerButton[]) {
    const words = JSON.stringify(drawers)
    if (words === this.presses.dataset.words) return
    this.presses.dataset.words = words
    this.#drawers = drawers.map((drawer) => {
      const { name, words, title, label } = drawer
      const press = () => pull(this.bench, drawerOut(this.bench) === name ? null : name)
      const props = { "aria-expanded": "false", "aria-label": label || null, title, dataset: { drawer: name } }
      return [drawer, button(words, press, props)]
    })
    const standing = (where: string) => this.#drawers.filter(([{ stands }]) => stands === where).map(([, each]) => each)
    this.presses.replaceChildren(
      ...standing("start"),
      this.suggest,
      ...standing("work"),
      this.whole,
      ...standing("help"),
    )
  }

  async #suggest() {
    const done = await this.long("suggest", "measuring the stack, then building a recipe", true)
    if (done !== undefined) this.status.say("this is the suggested recipe; undo brings the old one back")
  }

  /** Ask for something that takes a while. */
  long(name: string, doing: string, stoppable = false): Promise<unknown> {
    return this.#follow({ doing, stoppable, done: ask(this.model, name) })
  }

  #take(event: CustomEvent<Work>) {
    event.preventDefault()
    void this.#follow(event.detail)
  }

  /** Say that something takes a while, and what went wrong; nothing of the kind is asked for twice meanwhile. */
  async #follow({ doing, stoppable, done }: Work): Promise<unknown> {
    this.#doing += 1
    this.#stopping = false
    this.#work = { doing, stoppable }
    this.status.clear()
    this.#enable()
    this.#showWork()
    attribute(this.root, "aria-busy", "true")
    attribute(this.bench, "data-busy", true)
    try {
      const value = await done
      this.status.clear()
      return value
    } catch (error) {
      if (this.#stopping) this.status.say("stopped: the recipe lies as it was")
      else this.status.fail(error)
      return undefined
    } finally {
      this.#doing -= 1
      if (!this.#doing) {
        attribute(this.root, "aria-busy", null)
        attribute(this.bench, "data-busy", null)
        this.#work = null
      }
      this.#enable()
      this.#showWork()
    }
  }

  #stop() {
    this.#stopping = true
    this.#showWork()
    return this.act("stop")
  }

  /** How far a file is, or that something is being measured, which cannot say how far it is. */
  #showWork() {
    const { progress } = this.state
    const work = this.#work
    this.progress.hidden = !progress && !work
    this.stop.hidden = !progress && !work?.stoppable
    this.stop.disabled = this.#stopping && !progress
    if (progress) this.bar.value = progress.share
    else this.bar.removeAttribute("value")
    if (progress) this.doing.textContent = `${Math.round(100 * progress.share)} % · ${progress.doing}`
    else if (work) this.doing.textContent = this.#stopping ? "stopping…" : `${work.doing}…`
    attribute(this.bar, "aria-valuetext", this.doing.textContent)
  }

  /** A kernel that does not hear the bench: what is the matter, what becomes of clicks, what to do. */
  #showKernel() {
    const condition = this.#condition
    this.kernel.hidden = condition === "hears"
    attribute(this.kernel, "data-condition", condition)
    if (condition === "hears") return this.kernel.replaceChildren()
    const [head, text] = KERNEL_WORDS[condition]
    const kept = condition === "lost" && this.state.autosave ? `Your work: ${this.state.autosave}.` : ""
    this.kernel.replaceChildren(make("strong", {}, head), ...[text, kept].map((words) => make("p", {}, words)))
  }

  #enable() {
    const busy = this.#doing > 0
    const none = !this.state.stack
    this.suggest.disabled = busy || none
    const out = drawerOut(this.bench)
    for (const [{ name, needs_stack, measures }, press] of this.#drawers) {
      press.disabled = (none && needs_stack) || (busy && measures)
      attribute(press, "aria-expanded", String(name === out))
    }
  }

  #putAway() {
    this.status.clear()
    void this.act("dismiss")
  }

  update(): void {
    const { state } = this
    const { stack, message } = state
    this.#buildPresses(state.drawers ?? [])
    this.name.textContent = stack?.name ?? "No stack yet"
    this.about.textContent = stack
      ? [stack.size, stack.acquisition].filter(Boolean).join(" · ")
      : `Open the linear ${state.kinds ?? ""} file that your stacking program wrote.`
    attribute(this.about, "title", this.about.textContent)
    this.remarks.replaceChildren(
      ...(stack?.remarks ?? []).map((text) => make("li", { class: "wt-soft" }, `Note: ${text}`)),
    )
    this.#showWork()
    const told = JSON.stringify(message)
    if (told !== this.#told) {
      if (message?.kind === "error") this.status.fail(message.text)
      else if (message) this.status.say(message.text)
      else this.status.clear()
    }
    this.#told = told
    this.kept.textContent = state.autosave ?? ""
    attribute(this.kept, "title", state.autosave)
    this.#enable()
    attribute(this.root, "data-stack", stack?.name ?? "")
  }
}
