// Controls for the settings of a step, one for each kind of value. A control in the hand is never overwritten.

const SLIDER = 400 // places of a slider that is not linear

/** Between values and places 0..1 on a slider. */
function sliderScale({ scale, low, high }) {
  if (scale === "log") {
    const decades = Math.log(high / low)
    return { to: (place) => low * Math.exp(decades * place), from: (value) => Math.log(Math.max(value, low) / low) / decades }
  }
  if (scale === "root") return { to: (place) => high * place ** 3, from: (value) => Math.cbrt(Math.max(value, 0) / high) }
  return { to: (place) => low + (high - low) * place, from: (value) => (value - low) / (high - low) }
}

/** As many digits as the slider's step is worth: 0.37 of steps of 0.01, three significant ones on curved scales. */
function rounded(value, { kind, scale, step }) {
  if (kind === "integer") return Math.round(value)
  if (scale !== "linear") return Number(value.toPrecision(3))
  return Number((Math.round(value / step) * step).toPrecision(12))
}

const entryWords = (value) => (value === null || value === undefined ? "" : String(Number(value.toPrecision(10))))

/** What a person typed as a number, a comma taken as the decimal point; NaN where it is none. */
function typedNumber(text) {
  const plain = text.trim().replace(/[\s\u202f']/g, "").replace(",", ".")
  return plain === "" ? NaN : Number(plain)
}

/** A number: slider where the range is known, and an entry for the exact value. `give(live, value)` hands it on. */
function numberControl(field, give, ids) {
  let now = field
  let held = null // the value in the hand
  let keyDown = false
  const entry = numberEntry({ ...ids, label: field.label, get: () => now, give: (value) => give(false, value), nudge: (by) => nudge(by) })
  const slider = field.low === null ? null : make("input", { type: "range", class: "wt-slider", "aria-label": field.label, "aria-describedby": ids.help })
  const scale = slider && sliderScale(field)
  const places = field.scale === "linear" ? Math.max(1, Math.round((field.high - field.low) / field.step)) : SLIDER

  const nudge = (by) => {
    const value = now.value ?? now.start
    if (!slider) return limited(value + by * now.step)
    if (now.scale === "linear") return limited(rounded(value + by * now.step, now))
    const next = rounded(scale.to(clamp(scale.from(value) + by / 100, 0, 1)), now)
    return limited(next === value ? value + Math.sign(by) * (now.kind === "integer" ? 1 : 0) : next)
  }
  const limited = (value) => clamp(value, now.min ?? -Infinity, now.max ?? Infinity)
  const show = (value) => {
    entry.show(value)
    if (!slider) return
    slider.value = value === null ? 0 : Math.round(clamp(scale.from(value), 0, 1) * places)
    slider.style.setProperty("--wt-share", value === null ? 0 : clamp(scale.from(value), 0, 1))
    attribute(slider, "aria-valuetext", `${entryWords(value)} ${now.unit}`.trim())
  }
  const commit = () => {
    if (held === null || keyDown) return
    const value = held
    Promise.resolve(give(false, value)).then(() => {
      if (held !== value) return
      held = null
      show(now.value)
    })
  }
  if (slider) {
    attribute(slider, "max", places)
    slider.addEventListener("input", () => {
      held = rounded(scale.to(slider.valueAsNumber / places), now)
      show(held)
      give(true, held)
    })
    // A key held down repeats: it is one movement that ends when the key is let go.
    slider.addEventListener("keydown", (event) => (keyDown ||= event.key.startsWith("Arrow") || event.key.startsWith("Page")))
    slider.addEventListener("keyup", () => {
      keyDown = false
      commit()
    })
    slider.addEventListener("blur", () => {
      keyDown = false
      commit()
    })
    slider.addEventListener("change", commit)
    slider.addEventListener("pointerdown", () => (keyDown = false))
  }
  return {
    main: slider,
    side: entry.element,
    focus: () => (slider ?? entry.input).focus(),
    update(next) {
      now = next
      for (const each of [slider, entry.input]) if (each) each.disabled = next.value === null
      if (held === null) show(next.value)
    },
  }
}

/** An entry for an exact number: Enter or leaving takes it, Escape puts the old one back, arrows nudge. */
function numberEntry({ id, help, label, get, give, nudge }) {
  const input = make("input", { id, type: "text", inputmode: "decimal", class: "wt-input wt-entry wt-figures", role: "spinbutton", "aria-label": label, "aria-describedby": help, autocomplete: "off", spellcheck: "false" })
  const unit = make("span", { class: "wt-unit" })
  let written = false
  const take = () => {
    if (!written) return
    written = false
    const value = typedNumber(input.value)
    if (Number.isNaN(value)) show(get().value)
    else Promise.resolve(give(value)).then(() => written || show(get().value))
  }
  const show = (value) => {
    if (!written) input.value = entryWords(value)
    attribute(input, "aria-valuenow", value)
    attribute(input, "aria-valuetext", value === null ? "automatic" : `${entryWords(value)} ${get()?.unit ?? ""}`.trim())
    const { min, max } = get() ?? {}
    attribute(input, "aria-valuemin", min)
    attribute(input, "aria-valuemax", max)
    input.title = rangeWords(get())
    unit.textContent = get()?.unit ?? ""
  }
  input.addEventListener("input", () => (written = true))
  input.addEventListener("blur", take)
  input.addEventListener("focus", () => input.select())
  input.addEventListener("keydown", (event) => {
    const by = { ArrowUp: 1, ArrowDown: -1, PageUp: 10, PageDown: -10 }[event.key]
    if (event.key === "Enter") take()
    else if (event.key === "Escape" && written) {
      written = false
      show(get().value)
    } else if (by !== undefined && nudge && get().value !== null) {
      written = false
      give(nudge(event.shiftKey ? 10 * by : by))
    } else return
    event.preventDefault()
    event.stopPropagation()
  })
  return { input, element: make("span", { class: "wt-entry-with-unit" }, input, unit), show }
}

function rangeWords({ min, max, unit } = {}) {
  const words = [min, max].map((v) => (v === null || v === undefined ? null : entryWords(v)))
  const range = words[0] !== null && words[1] !== null ? `${words[0]} to ${words[1]}` : words[0] !== null ? `${words[0]} or more` : words[1] !== null ? `at most ${words[1]}` : ""
  return `${range} ${range ? unit ?? "" : ""}`.trim()
}

function choiceControl(field, give, ids) {
  const values = field.choices.map(([value]) => value)
  const few = values.length <= 4 && field.choices.map(([, label]) => label).join("").length <= 34
  if (!few) {
    const select = make("select", { id: ids.id, class: "wt-select", "aria-describedby": ids.help }, ...field.choices.map(([, label], i) => make("option", { value: i }, label)))
    select.addEventListener("change", () => give(false, values[select.selectedIndex]))
    return { main: select, focus: () => select.focus(), update: ({ value }) => (select.selectedIndex = values.indexOf(value)) }
  }
  const name = freshId("choice")
  const radios = values.map((value, i) => {
    const radio = make("input", { type: "radio", name, value: i })
    radio.addEventListener("change", () => radio.checked && give(false, value))
    return radio
  })
  const group = make(
    "div",
    { role: "radiogroup", "aria-label": field.label, "aria-describedby": ids.help, class: "wt-choices" },
    ...field.choices.map(([, label], i) => make("label", {}, radios[i], make("span", {}, label))),
  )
  return {
    main: group,
    focus: () => (radios.find((r) => r.checked) ?? radios[0]).focus(),
    update: ({ value }) => radios.forEach((radio, i) => (radio.checked = values[i] === value)),
  }
}

function switchControl(field, give, ids) {
  const input = make("input", { id: ids.id, type: "checkbox", role: "switch", class: "wt-switch", "aria-describedby": ids.help })
  const words = make("span", { class: "wt-soft" })
  input.addEventListener("change", () => give(false, input.checked))
  return {
    side: make("label", { class: "wt-row" }, words, input),
    focus: () => input.focus(),
    update({ value }) {
      input.checked = value
      words.textContent = value ? "yes" : "no"
    },
  }
}

/** Text, and anything without a control of its own, which is shown as JSON. */
function textControl(field, give, ids) {
  const json = field.kind === "data"
  const input = make(json ? "textarea" : "input", { id: ids.id, class: "wt-input wt-text", "aria-describedby": ids.help, spellcheck: "false", rows: json ? 3 : null })
  let now = field
  const words = (value) => (json ? JSON.stringify(value) : value ?? "")
  const wrong = make("p", { class: "wt-alarm", role: "alert" })
  input.addEventListener("change", () => {
    wrong.textContent = ""
    try {
      give(false, json ? JSON.parse(input.value) : input.value === "" && now.optional ? null : input.value)
    } catch {
      wrong.textContent = "this is not JSON; write it like " + words(now.default)
    }
  })
  return {
    main: make("div", {}, input, wrong),
    focus: () => input.focus(),
    update(next) {
      now = next
      if (document.activeElement !== input) input.value = words(next.value)
    },
  }
}

/** A fixed count of numbers, each with its label. */
function numbersControl(field, give, ids) {
  let now = field
  const entries = field.parts.map((part, i) =>
    numberEntry({
      id: i === 0 ? ids.id : null,
      help: ids.help,
      label: `${field.label}: ${part}`,
      get: () => ({ value: now.value?.[i] ?? null }),
      give: (value) => give(false, now.value.map((old, j) => (j === i ? value : old))),
    }),
  )
  const row = make("div", { class: "wt-numbers" }, ...entries.map((entry, i) => make("label", {}, make("span", { class: "wt-label" }, field.parts[i]), entry.element)))
  return {
    main: row,
    focus: () => entries[0].input.focus(),
    update(next) {
      now = next
      row.hidden = next.value === null
      entries.forEach((entry, i) => entry.show(next.value?.[i] ?? null))
    },
  }
}

/** Things drawn on the picture: each a line, to be taken away again. */
function listControl(field, give) {
  const list = make("ul", { class: "wt-items" })
  return {
    main: list,
    focus: () => list.querySelector("button")?.focus(),
    update({ value, items, label }) {
      const without = (i) => give(false, value.filter((_, j) => j !== i))
      list.replaceChildren(
        ...items.map((words, i) =>
          make("li", { class: "wt-row" }, make("span", { class: "wt-grow wt-figures" }, `${i + 1}. ${words}`), button("Remove", () => without(i), { "aria-label": `remove ${label} ${i + 1}` })),
        ),
      )
      if (!items.length) list.append(make("li", { class: "wt-soft" }, "none"))
    },
  }
}

const CONTROLS = {
  number: numberControl,
  integer: numberControl,
  choice: choiceControl,
  switch: switchControl,
  text: textControl,
  data: textControl,
  numbers: numbersControl,
  list: listControl,
}

/** A setting: label, control, help, "automatic" where it may be empty, and a way back to the default.
 *  `give(live, value)` returns a promise; `reset()` puts the default back; `take(tool)` picks a tool of the picture up. */
function settingRow(field, { give, reset, take }) {
  const ids = { id: freshId(field.name), help: freshId("help") }
  let now = field
  const control = CONTROLS[field.kind](field, give, ids)
  const back = reset && button("↺", reset, { class: "wt-button wt-quiet wt-back" })
  const automatic = field.optional && field.kind !== "choice" && field.kind !== "text" ? make("input", { type: "checkbox" }) : null
  const measured = make("span", {})
  automatic?.addEventListener("change", () => give(false, automatic.checked ? null : now.start))
  const drawn = take && field.tool ? button("Draw on the picture", () => take(field.tool), { class: "wt-button wt-draw" }) : null
  const element = make(
    "div",
    { class: "wt-field", dataset: { name: field.name, kind: field.kind } },
    make("div", { class: "wt-field-head" }, make("label", { for: ids.id, class: "wt-field-name" }, field.label), back, make("span", { class: "wt-grow" }), automatic && make("label", { class: "wt-automatic" }, automatic, field.empty ?? "automatic", measured), control.side),
    control.main,
    drawn,
    make("p", { id: ids.help, class: "wt-help" }, field.help),
  )
  return {
    element,
    focus: control.focus,
    update(next) {
      now = next
      control.update(next)
      const differs = JSON.stringify(next.value) !== JSON.stringify(next.default)
      element.classList.toggle("wt-changed", differs)
      if (back) {
        back.hidden = !differs
        const words = next.default === null ? "automatic" : Array.isArray(next.default) && !next.default.length ? "none" : String(next.default)
        attribute(back, "aria-label", `put ${next.label} back to ${words}`)
        attribute(back, "title", `back to ${words}`)
      }
      if (automatic) {
        automatic.checked = next.value === null
        attribute(automatic, "aria-label", `${next.label}: ${next.empty ?? "automatic"}`)
        const empty = next.value === null
        if (control.main) control.main.hidden = empty
        if (control.side) control.side.hidden = empty
        measured.textContent = empty && Number.isFinite(next.measured) ? `: ${entryWords(Number(next.measured.toPrecision(3)))} ${next.unit}` : ""
      }
    },
  }
}
