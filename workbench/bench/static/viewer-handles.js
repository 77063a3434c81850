// What can be grabbed and tabbed to on the picture: the edges of a region, marks of samples and of regions left out.

const HANDLES = {
  move: "whole region",
  nw: "top left corner",
  n: "top edge",
  ne: "top right corner",
  e: "right edge",
  se: "bottom right corner",
  s: "bottom edge",
  sw: "bottom left corner",
  w: "left edge",
}

class Handles {
  layer = make("div", { class: "wt-handles" })
  #bench
  #tools
  #shown = "" // what the handles were made for

  /** `bench` as for the tools, which know what is edited and where. */
  constructor(bench, tools) {
    this.#bench = bench
    this.#tools = tools
  }

  /** Put the handles where they belong; called for every picture of the stage. */
  place() {
    const { excludes = [], given_samples: samples = [] } = this.#bench.state().overlay_data ?? {}
    const wanted = JSON.stringify([this.#tools.name, Boolean(this.#tools.region), excludes.length, samples.length])
    if (wanted !== this.#shown) this.#makeHandles(excludes, samples)
    this.#shown = wanted
    for (const mark of this.layer.children) {
      const { handle, exclude, sample } = mark.dataset
      if (handle) this.#placeHandle(mark, handle)
      if (exclude) this.#put(mark, ...regionMiddle(excludes[Number(exclude)]))
      if (sample) this.#put(mark, ...this.#tools.samplePlace(Number(sample), samples))
    }
  }

  #put(mark, x, y) {
    const [sx, sy] = this.#bench.view.toStage(x, y)
    const unit = this.#bench.unit()
    mark.style.translate = `${sx / unit}px ${sy / unit}px`
  }

  #placeHandle(mark, handle) {
    const { x0, y0, x1, y1 } = this.#tools.region
    const unit = this.#bench.unit()
    const x = handle.includes("w") ? x0 : handle.includes("e") ? x1 : (x0 + x1) / 2
    const y = handle.includes("n") ? y0 : handle.includes("s") ? y1 : (y0 + y1) / 2
    if (handle === "move") {
      this.#put(mark, x0, y0)
      mark.style.width = `${((x1 - x0) * this.#bench.view.zoom) / unit}px`
      mark.style.height = `${((y1 - y0) * this.#bench.view.zoom) / unit}px`
      attribute(mark, "aria-label", `${HANDLES.move}, ${sizeWords(this.#tools.region)}, move it with the arrow keys`)
      return
    }
    this.#put(mark, x, y)
    attribute(mark, "aria-label", `${HANDLES[handle]} at column ${Math.round(x)}, row ${Math.round(y)}`)
  }

  #makeHandles(excludes, samples) {
    const focused = { ...document.activeElement?.dataset }
    const inside = this.layer.contains(document.activeElement)
    const marks = []
    if (this.#tools.region) {
      for (const handle of Object.keys(HANDLES))
        marks.push(make("button", { type: "button", class: "wt-handle", dataset: { handle } }))
    }
    if (this.#tools.name === "exclude") {
      excludes.forEach((_, i) => {
        const take = () => this.#bench.act("remove_exclude", { number: i })
        const props = {
          dataset: { exclude: i },
          "aria-label": `take region ${i + 1} away`,
          class: "wt-button wt-unmark",
        }
        marks.push(button("take away", take, props))
      })
    }
    if (this.#tools.name === "sample") {
      samples.forEach((_, i) => {
        const words = `sky sample ${i + 1}: arrow keys move it, Delete takes it away`
        marks.push(
          make("button", { type: "button", class: "wt-sample", dataset: { sample: i }, "aria-label": words }),
        )
      })
    }
    this.layer.replaceChildren(...marks)
    const again = inside && marks.find((m) => Object.entries(focused).every(([k, v]) => m.dataset[k] === v))
    if (again) again.focus({ preventScroll: true })
    else if (inside) this.#bench.focus()
  }

  focus(handle) {
    this.layer.querySelector(`[data-handle="${handle}"]`)?.focus()
  }
}
