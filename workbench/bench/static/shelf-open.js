// Opening: by path, by looking through folders, by upload in pieces.

const PIECE = 2 * 1024 * 1024 // bytes of an upload sent at once; much larger messages break the connection

const sizeWords = (bytes) => (bytes >= 1e9 ? `${(bytes / 1e9).toFixed(1)} GB` : bytes >= 1e6 ? `${Math.round(bytes / 1e6)} MB` : `${Math.max(1, Math.round(bytes / 1e3))} kB`)

class OpenDrawer {
  #uploading = null

  constructor(shelf) {
    this.shelf = shelf
    this.path = make("input", { class: "wt-input wt-grow wt-figures", type: "text", "aria-label": "Path of a stack on the kernel's machine", placeholder: "path of a TIFF or FITS file", spellcheck: "false", autocomplete: "off" })
    const form = make("form", { class: "wt-row" }, make("span", { class: "wt-label" }, "Path"), this.path, make("button", { type: "submit", class: "wt-button" }, "Open"))
    form.addEventListener("submit", (event) => {
      event.preventDefault()
      if (this.path.value.trim()) this.open(this.path.value.trim())
    })
    this.where = make("p", { class: "wt-figures wt-grow wt-where-now" })
    this.up = button("↑ Folder above", () => this.browse(this.folder.parent))
    this.list = make("ul", { class: "wt-files", "aria-label": "What lies in the folder" })
    this.more = make("p", { class: "wt-soft" })
    this.file = make("input", { type: "file", hidden: true, accept: ".tif,.tiff,.fit,.fits,.fts,.gz,.png,.jpg,.jpeg" })
    this.file.addEventListener("change", () => this.file.files[0] && this.upload(this.file.files[0]))
    this.bar = make("progress", { max: 1, hidden: true, "aria-label": "Upload" })
    this.stop = button("Stop the upload", () => (this.#uploading = null), { hidden: true })
    const upload = button("Upload from this computer…", () => this.file.click(), { title: "send a file from the machine whose screen this is; it is stored in the folder shown" })
    this.element = make(
      "div",
      { class: "wt-open" },
      form,
      make("div", { class: "wt-row" }, this.where, this.up, upload, this.file, this.bar, this.stop),
      this.list,
      this.more,
    )
    this.#dropping()
  }

  get folder() {
    return this.shelf.state.folder ?? {}
  }

  shown() {
    if (!this.folder.path) this.browse(null)
  }

  focus() {
    this.path.focus()
  }

  browse(path) {
    return this.shelf.act("browse", { path })
  }

  async open(path) {
    if ((await this.shelf.long("open", { path }, `opening ${path.split("/").pop()}`)) !== undefined) this.shelf.turn(null)
  }

  async #entry({ name, folder, recipe }) {
    const path = `${this.folder.path.replace(/\/$/, "")}/${name}`
    if (!folder) return recipe ? this.shelf.act("open_recipe", { path }) : this.open(path)
    await this.browse(path)
    this.list.querySelector("button")?.focus()
  }

  update({ folder, stack }) {
    const words = JSON.stringify(folder)
    if (words === this.list.dataset.words) return
    this.list.dataset.words = words
    this.where.textContent = folder?.path ?? ""
    this.up.disabled = !folder?.parent
    const one = (entry) => {
      const kind = entry.folder ? "folder" : entry.recipe ? "recipe" : "stack"
      const words = entry.folder ? `${entry.name}/` : entry.name
      return make("li", {}, button(words, () => this.#entry(entry), { class: "wt-file", dataset: { kind } }), make("span", { class: "wt-soft wt-figures" }, entry.folder ? "" : `${entry.recipe ? "recipe, " : ""}${sizeWords(entry.size)}`))
    }
    this.list.replaceChildren(...(folder?.entries ?? []).map(one))
    if (folder && !folder.entries.length) this.list.append(make("li", { class: "wt-soft" }, "nothing here that the bench can open"))
    this.more.textContent = folder?.left_out ? `and ${folder.left_out} more: open them by their path` : ""
    attribute(this.list, "aria-busy", stack === undefined ? "true" : null)
  }

  #dropping() {
    const { element } = this
    const { signal } = this.shelf
    const over = (on) => (event) => {
      event.preventDefault()
      element.classList.toggle("wt-dropping", on)
    }
    element.addEventListener("dragover", over(true), { signal })
    element.addEventListener("dragleave", over(false), { signal })
    element.addEventListener("drop", (event) => {
      over(false)(event)
      const [file] = event.dataTransfer?.files ?? []
      if (file) this.upload(file)
    }, { signal })
  }

  /** One piece at a time, each answered, so that a slow line is never flooded. */
  async upload(file) {
    const { model, status } = this.shelf
    const mine = (this.#uploading = {})
    const turn = (on) => {
      this.bar.hidden = !on
      this.stop.hidden = !on
    }
    turn(true)
    this.bar.value = 0
    let token = null
    try {
      token = await ask(model, "upload_begin", { name: file.name, size: file.size, folder: this.folder.path ?? null })
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
      await this.shelf.long("upload_end", { token }, `opening ${file.name}`)
      this.shelf.turn(null)
    } catch (error) {
      status.fail(error)
    } finally {
      this.file.value = ""
      if (this.#uploading === mine) this.#uploading = null
      turn(false)
    }
  }
}
