// The parts of the picture panel and where they stand.

const OVERLAYS = {
  stars: "Stars",
  samples: "Sky samples",
  gradient: "Sky model",
  clipped: "Clipped",
  mask: "Mask",
  crop: "Crop",
}

const STAGE = "Picture. Plus and minus zoom, 0 fits, 1 shows exact pixels, arrows move, B held shows before"

/** Make the parts and put them into the panel; what changes later is returned by name. */
function layOut(bench) {
  const parts = {
    picture: make("canvas", { role: "img", class: "wt-picture" }),
    marks: make("canvas", { class: "wt-marks", "aria-hidden": "true" }),
    badges: make("div", { class: "wt-badges" }),
    legend: make("ul", { class: "wt-legend" }),
    handle: makeDivider(bench),
    empty: make("p", { class: "wt-empty" }, "Open a stack, and it lies here."),
    stage: make("div", { class: "wt-stage", tabindex: "0", role: "application", "aria-label": STAGE }),
    zoomWords: make("output", { class: "wt-zoom wt-figures", "aria-live": "off" }),
    toolGroup: toolButtons(bench),
    overlayGroup: overlayButtons(bench),
    compareGroup: makeCompare(bench),
  }
  const { picture, marks, badges, legend, handle, empty, stage } = parts
  stage.append(picture, marks, handle, bench.tools.handles.layer, badges, legend, empty)
  const gap = () => make("span", { class: "wt-grow" })
  bench.root.append(
    make("div", { class: "wt-row" }, parts.toolGroup, gap(), zoomButtons(bench, parts.zoomWords)),
    stage,
    bench.tools.hint, // below the print, which stays where it is when a tool is taken up
    bench.readout.element,
    make("div", { class: "wt-row" }, parts.overlayGroup, gap(), parts.compareGroup.element),
    bench.status.element,
  )
  const nothing = { frames: 0, framesBefore: 0, generation: "", draft: "", zoom: "", tool: "look" }
  Object.assign(bench.root.dataset, nothing)
  return parts
}

function toolButtons(bench) {
  const group = make("div", {
    class: "wt-group",
    role: "toolbar",
    "aria-label": "What dragging on the picture does",
  })
  for (const [name, { words, help }] of Object.entries(TOOLS)) {
    const take = () => bench.act("tool", { name })
    group.append(button(words, take, { pressed: name === "look", title: help, dataset: { tool: name } }))
  }
  oneTabStop(group, bench.signal)
  return group
}

function overlayButtons(bench) {
  const group = make("div", { class: "wt-group", role: "toolbar", "aria-label": "What lies over the picture" })
  group.append(make("span", { class: "wt-label" }, "Show"))
  for (const [name, words] of Object.entries(OVERLAYS)) {
    const turn = () => bench.act("overlay", { name, on: !bench.state().overlays?.[name] })
    group.append(button(words, turn, { pressed: false, dataset: { overlay: name } }))
  }
  oneTabStop(group, bench.signal)
  return group
}

function zoomButtons({ view, glide }, words) {
  const named = (text) => ({ "aria-label": text, title: text })
  return make(
    "div",
    { class: "wt-group", role: "group", "aria-label": "Zoom" },
    words,
    button("−", () => glide.to(view.rung(-1, glide.goal)), named("zoom out")),
    button("+", () => glide.to(view.rung(1, glide.goal)), named("zoom in")),
    button("Fit", () => glide.to(view.fitZoom), named("fit the whole frame")),
    button("1:1", () => glide.to(1), named("one picture pixel on one screen pixel")),
  )
}
