// The toolbar above the picture: what is open, where it comes from and where it goes.

import { benchOf } from "../../page/shared/bench"
import { attribute, button, make } from "../../page/shared/dom"
import { isTyping, onKeys } from "../../page/shared/keys"
import { type Message, type Model, watchState } from "../../page/shared/model"
import type { Mount } from "../../page/shared/panel"
import { type Condition, watchKernel } from "../../page/shared/kernel"
import { keepRoom, wholeWindow } from "../../page/shared/room"
import { type Act, actor, statusLine, type StatusLine } from "../../page/shared/telling"
import { AdviceDrawer } from "./advice"
import { CodeDrawer } from "./code"
import { ExportDrawer } from "./export"
import { KeysDrawer } from "./keys"
import { OpenDrawer } from "./open"
import type { ToolbarState } from "./state"

const DRAWERS = [
  ["open", "Open…", "another stack, or a recipe"],
  ["check", "Check-up", "what was measured in this stack, and advice"],
  ["export", "Export…", "picture, recipe, record, step sheet"],
  ["code", "As Python", "the session as a cell of code"],
  ["keys", "?", "keys, wheel and mouse"],
] as const

const KERNEL_WORDS: Record<Exclude<Condition, "hears">, [head: string, text: string]> = {
  busy: ["The kernel is busy.", "It computes a cell. What you do here waits, and is done when it is free."],
  away: ["The kernel is out of reach.", "The line to it is broken. The bench goes on when it is back."],
  lost: [
    "The kernel of this bench was stopped.",
    "What you click here is not done any more. Run the cell again, and the bench comes back as you left it.",
  ],
}

type DrawerName = (typeof DRAWERS)[number][0]

/** What a button of the toolbar pulls out. */
export interface Drawer {
  readonly element: HTMLElement
  /** It was pulled out. */
  shown: () => unknown
  update: (state: ToolbarState) => void
}

export class Toolbar {
  readonly root: HTMLElement
  readonly signal: AbortSignal
  readonly act: Act
  readonly drawers: Record<DrawerName, Drawer>
  #open: DrawerName | null = null
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
  readonly buttons = {} as Record<DrawerName, HTMLButtonElement>
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
  readonly drawer = make("div", { class: "wt-drawer wt-card", hidden: true })

  constructor(
    readonly model: Model<ToolbarState>,
    { root, signal }: Mount,
  ) {
    this.root = root
    this.signal = signal
    this.act = actor(model, this.status)
    this.drawers = {
      open: new OpenDrawer(this),
      check: new AdviceDrawer(this),
      export: new ExportDrawer(this),
      code: new CodeDrawer(this),
      keys: new KeysDrawer(),
    }
    this.#build()
    watchState(model, () => this.update(), signal)
    this.update()
    if (!this.state.stack) this.turn("open")
  }

  get state(): ToolbarState {
    return this.model.get("state") ?? {}
  }

  #build() {
    for (const [name, words, title] of DRAWERS) {
      this.buttons[name] = button(words, () => this.turn(this.#open === name ? null : name), {
        "aria-expanded": "false",
        title,
        dataset: { drawer: name },
      })
    }
    const { open, check, export: leave, code, keys } = this.buttons
    attribute(keys, "aria-label", "? Keys and mouse")
    const presses = make("div", { class: "wt-group" }, open, this.suggest, check, leave, code, this.whole, keys)
    onKeys(this.drawer, { Escape: () => this.turn(null, true) }, this.signal)
    const what = make("div", { class: "wt-what" }, this.name, this.about)
    const line = make("div", { class: "wt-row wt-told" }, this.progress, this.status.element, this.putAway, this.kept)
    this.root.append(
      make("div", { class: "wt-row wt-strip" }, make("div", { class: "wt-grow" }, what, line), presses),
      this.drawer,
      this.remarks,
      this.kernel,
    )
    const told = (condition: Condition) => {
      this.#condition = condition
      this.#showKernel()
    }
    watchKernel(this.model, this.root, told, this.signal)
    const asked = (event: KeyboardEvent) => {
      const here = event.target instanceof Node && (benchOf(this.root) ?? this.root).contains(event.target)
      if (event.key !== "?" || !here || isTyping(event.target)) return
      event.preventDefault()
      this.turn(this.#open === "keys" ? null : "keys")
    }
    window.addEventListener("keydown", asked, { signal: this.signal })
    keepRoom(this.root, this.signal)
    wholeWindow(this.root, this.whole, this.signal)
  }

  /** Pull a drawer out (and the one that was out, in); null: all in. */
  turn(name: DrawerName | null, back = false): void {
    const was = this.#open
    this.#open = name
    for (const [key, each] of Object.entries(this.buttons)) attribute(each, "aria-expanded", String(key === name))
    this.drawer.hidden = !name
    this.drawer.replaceChildren(...(name ? [this.drawers[name].element] : []))
    attribute(this.root, "data-drawer", name ?? "")
    if (back && was) this.buttons[was].focus()
    if (!name || name === was) return
    this.drawers[name].shown()
  }

  async #suggest() {
    const done = await this.long("suggest", {}, "measuring the stack, then building a recipe", true)
    if (done !== undefined) this.status.say("this is the suggested recipe; undo brings the old one back")
  }

  /** Ask for something that takes a while: say so, and let nothing of the kind be asked for twice. */
  async long(name: string, args: Message, doing: string, stoppable = false): Promise<unknown> {
    this.#doing += 1
    this.#stopping = false
    this.#work = { doing, stoppable }
    this.status.clear()
    this.#enable()
    this.#showWork()
    attribute(this.root, "aria-busy", "true")
    try {
      const done = await this.act(name, args)
      if (done === undefined && this.#stopping) this.status.say("stopped: the recipe lies as it was")
      return done
    } finally {
      this.#doing -= 1
      if (!this.#doing) {
        attribute(this.root, "aria-busy", null)
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
    this.buttons.check.disabled = busy || none
    this.buttons.export.disabled = none
    this.buttons.code.disabled = none
    for (const each of this.drawers.check.element.querySelectorAll("button")) each.disabled = busy
  }

  #putAway() {
    this.status.clear()
    void this.act("dismiss")
  }

  update(): void {
    const { state } = this
    const { stack, message } = state
    this.name.textContent = stack?.name ?? "No stack yet"
    this.about.textContent = stack
      ? [stack.size, stack.acquisition].filter(Boolean).join(" · ")
      : "Open the linear TIFF or FITS file that your stacking program wrote."
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
    for (const drawer of Object.values(this.drawers)) drawer.update(state)
    this.#enable()
    attribute(this.root, "data-stack", stack?.name ?? "")
    attribute(this.root, "data-saved", (state.saved ?? []).length)
  }
}
