// Opening: by path, by looking through folders, by upload in pieces.

import { ask } from "../../page/shared/ask"
import { attribute, button, make } from "../../page/shared/dom"
import { DrawerPanel, pull } from "../../page/shared/drawer"
import type { Model } from "../../page/shared/model"
import { bytesWords, plainWords } from "../../page/shared/numbers"
import type { Mount } from "../../page/shared/panel"
import type { Entry, Folder, OpenState } from "./state"

const PIECE = 2 * 1024 * 1024 // bytes of an upload sent at once; much larger messages break the connection

export class OpenDrawer extends DrawerPanel<OpenState> {
  #uploading: object | null = null
  readonly path = make("input", {
    class: "wt-input wt-grow wt-figures",
    type: "text",
    "aria-label": "Path of a stack on the kernel's machine",
    spellcheck: "false",
    autocomplete: "off",
  })
  readonly where = make("p", { class: "wt-figures wt-grow wt-where-now" })
  readonly up = button("↑ Folder above", () => this.browse(this.folder?.parent ?? null))
  readonly list = make("ul", { class: "wt-files", "aria-label": "What lies in the folder" })
  readonly more = make("p", { class: "wt-soft" })
  readonly file = make("input", {
    type: "file",
    hidden: true,
  })
  readonly recent = make("ul", { class: "wt-places", "aria-label": "Stacks that were open last" })
  readonly recentPart = make("section", {}, make("h3", {}, "Open last"), this.recent)
  readonly samples = make("ul", { class: "wt-places", "aria-label": "Sample stacks" })
  readonly beginning = make(
    "div",
    { class: "wt-beginning" },
    this.recentPart,
    make("section", {}, make("h3", {}, "Sample stacks to try"), this.samples),
  )
  readonly toneWords = make("span", { class: "wt-soft" })
  readonly otherTone = button("", () => this.#takeFor())
  readonly tone = make("div", { class: "wt-row wt-taken-for" }, this.toneWords, this.otherTone)
  readonly bar = make("progress", { max: 1, hidden: true, "aria-label": "Upload" })
  readonly stop = button("Stop the upload", () => (this.#uploading = null), { hidden: true })

  constructor(model: Model<OpenState>, mount: Mount) {
    super("open", model, mount)
    const form = make(
      "form",
      { class: "wt-row" },
      make("span", { class: "wt-label" }, "Path"),
      this.path,
      make("button", { type: "submit", class: "wt-button" }, "Open"),
    )
    const openTyped = (event: Event) => {
      event.preventDefault()
      event.stopPropagation()
      if (this.path.value.trim()) void this.open(this.path.value.trim())
    }
    form.addEventListener("submit", openTyped)
    // A notebook may take the key before it sends the form.
    this.path.addEventListener("keydown", (event) => event.key === "Enter" && openTyped(event))
    this.file.addEventListener("change", () => {
      const [file] = this.file.files ?? []
      if (file) void this.upload(file)
    })
    const upload = button("Upload from this computer…", () => this.file.click(), {
      title: "send a file from the machine whose screen this is; it is stored in the folder shown",
    })
    this.#dropping()
    this.build(
      this.tone,
      this.beginning,
      form,
      make("div", { class: "wt-row" }, this.where, this.up, upload, this.file, this.bar, this.stop),
      this.list,
      this.more,
    )
  }

  get folder(): Folder | null {
    return this.state.folder ?? null
  }

  /** A bench without a stack begins with this. */
  protected override placed(bench: HTMLElement): void {
    if (!this.state.opened) pull(bench, this.name)
  }

  protected override shown(): void {
    if (!this.folder?.path) void this.browse(null)
    void this.act("recent")
  }

  /** A file that was taken for the wrong thing. */
  async #takeFor(): Promise<void> {
    const tone = this.state.tone === "linear" ? "display" : "linear"
    if ((await this.long("take_for", { tone }, "opening the stack anew")) !== undefined) this.putIn()
  }

  async #openSample(name: string): Promise<void> {
    if ((await this.long("open_sample", { name }, `opening ${plainWords(name)}`)) !== undefined) this.putIn()
  }

  #updateBeginning({ samples = [], recent = [], opened = false, tone = null }: Partial<OpenState>): void {
    const words = JSON.stringify([samples, recent, opened, tone])
    if (words === this.beginning.dataset.words) return
    this.beginning.dataset.words = words
    this.tone.hidden = !tone
    this.toneWords.textContent =
      tone === "linear" ? "The stack is taken for linear light." : "The stack is taken for a finished picture."
    this.otherTone.textContent = tone === "linear" ? "It is a finished picture" : "It is linear light"
    const place = (name: string, about: string, open: () => unknown, title: string) =>
      make("li", {}, button(name, open, { class: "wt-file", title }), make("span", { class: "wt-soft" }, about))
    this.recentPart.hidden = !recent.length
    this.recent.replaceChildren(
      ...recent.map(({ name, path, folder }) => place(name, folder, () => this.open(path), path)),
    )
    this.samples.replaceChildren(
      ...samples.map(({ name, words: about }) => place(plainWords(name), about, () => this.#openSample(name), about)),
    )
  }

  browse(path: string | null): Promise<unknown> {
    return this.act("browse", { path })
  }

  async open(path: string): Promise<void> {
    if ((await this.long("open", { path }, `opening ${path.split("/").pop()}`)) !== undefined) this.putIn()
  }

  async #entry({ name, folder, recipe }: Entry): Promise<unknown> {
    const path = `${(this.folder?.path ?? "").replace(/\/$/, "")}/${name}`
    if (!folder) return recipe ? this.act("open_recipe", { path }) : this.open(path)
    await this.browse(path)
    this.list.querySelector("button")?.focus()
    return undefined
  }

  protected update(state: Partial<OpenState>): void {
    this.#updateBeginning(state)
    const { folder, kinds = "", suffixes = [] } = state
    attribute(this.path, "placeholder", `path of a ${kinds} file`)
    attribute(this.file, "accept", suffixes.join(","))
    const words = JSON.stringify(folder)
    if (words === this.list.dataset.words) return
    this.list.dataset.words = words
    this.where.textContent = folder?.path ?? ""
    this.up.disabled = !folder?.parent
    const one = (entry: Entry) => {
      const kind = entry.folder ? "folder" : entry.recipe ? "recipe" : "stack"
      const words = entry.folder ? `${entry.name}/` : entry.name
      return make(
        "li",
        {},
        button(words, () => this.#entry(entry), { class: "wt-file", dataset: { kind } }),
        make(
          "span",
          { class: "wt-soft wt-figures" },
          entry.folder ? "" : `${entry.recipe ? "recipe, " : ""}${bytesWords(entry.size)}`,
        ),
      )
    }
    this.list.replaceChildren(...(folder?.entries ?? []).map(one))
    if (folder && !folder.entries.length)
      this.list.append(make("li", { class: "wt-soft" }, "nothing here that the bench can open"))
    this.more.textContent = folder?.left_out ? `and ${folder.left_out} more: open them by their path` : ""
    attribute(this.list, "aria-busy", folder === undefined ? "true" : null)
  }

  #dropping() {
    const { root, signal } = this
    const over = (on: boolean) => (event: DragEvent) => {
      event.preventDefault()
      root.classList.toggle("wt-dropping", on)
    }
    root.addEventListener("dragover", over(true), { signal })
    root.addEventListener("dragleave", over(false), { signal })
    root.addEventListener(
      "drop",
      (event: DragEvent) => {
        over(false)(event)
        const [file] = event.dataTransfer?.files ?? []
        if (file) void this.upload(file)
      },
      { signal },
    )
  }

  /** One piece at a time, each answered, so that a slow line is never flooded. */
  async upload(file: File): Promise<void> {
    const { model, status } = this
    const mine = (this.#uploading = {})
    const turn = (on: boolean) => {
      this.bar.hidden = !on
      this.stop.hidden = !on
    }
    turn(true)
    this.bar.value = 0
    try {
      const token = await ask(model, "upload_begin", {
        name: file.name,
        size: file.size,
        folder: this.folder?.path ?? null,
      })
      for (let at = 0; at < file.size; at += PIECE) {
        const piece = await file.slice(at, at + PIECE).arrayBuffer()
        if (this.#uploading !== mine) {
          await ask(model, "upload_stop", { token })
          status.say(`stopped; nothing of ${file.name} was kept`)
          return
        }
        await ask(model, "upload_piece", { token, at }, { buffers: [piece], patience: 120 })
        this.bar.value = Math.min(1, (at + PIECE) / file.size)
        status.say(`uploading ${file.name}: ${Math.round(100 * this.bar.value)} %`)
      }
      await this.long("upload_end", { token }, `opening ${file.name}`)
      this.putIn()
    } catch (error) {
      status.fail(error)
    } finally {
      this.file.value = ""
      if (this.#uploading === mine) this.#uploading = null
      turn(false)
    }
  }
}
