// Controls for the settings of a step, one for each kind of value. A control in the hand is never overwritten.

import { attribute, button, freshId, make } from "../../page/shared/dom"
import type { Control, Give, Ids } from "./control"
import { entryWords, numberControl, numberEntry } from "./number"
import type { ChoiceField, Field, ListField, NumbersField, SwitchField, TextField } from "./state"

function choiceControl(field: ChoiceField, give: Give, ids: Ids): Control<ChoiceField> {
  const labels = field.choices.map(([, label]) => label)
  const few = labels.length <= 4 && labels.join("").length <= 34
  return few ? radioControl(field, give, ids) : selectControl(field, give, ids)
}

function selectControl(field: ChoiceField, give: Give, ids: Ids): Control<ChoiceField> {
  const values = field.choices.map(([value]) => value)
  const select = make(
    "select",
    { id: ids.id, class: "wt-select", "aria-describedby": ids.help },
    ...field.choices.map(([, label], i) => make("option", { value: i }, label)),
  )
  select.addEventListener("change", () => void give(false, values[select.selectedIndex]))
  return {
    main: select,
    focus: () => select.focus(),
    update: ({ value }) => (select.selectedIndex = values.indexOf(value)),
  }
}

function radioControl(field: ChoiceField, give: Give, ids: Ids): Control<ChoiceField> {
  const values = field.choices.map(([value]) => value)
  const name = freshId("choice")
  const radios = values.map((value, i) => {
    const radio = make("input", { type: "radio", name, value: i })
    radio.addEventListener("change", () => radio.checked && void give(false, value))
    return radio
  })
  const group = make(
    "div",
    { role: "radiogroup", "aria-label": field.label, "aria-describedby": ids.help, class: "wt-choices" },
    ...field.choices.map(([, label], i) => make("label", {}, radios[i], make("span", {}, label))),
  )
  return {
    main: group,
    focus: () => (radios.find((each) => each.checked) ?? radios[0]).focus(),
    update: ({ value }) => radios.forEach((radio, i) => (radio.checked = values[i] === value)),
  }
}

function switchControl(_: SwitchField, give: Give, ids: Ids): Control<SwitchField> {
  const input = make("input", {
    id: ids.id,
    type: "checkbox",
    role: "switch",
    class: "wt-switch",
    "aria-describedby": ids.help,
  })
  const words = make("span", { class: "wt-soft" })
  input.addEventListener("change", () => void give(false, input.checked))
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
function textControl(field: TextField, give: Give, ids: Ids): Control<TextField> {
  const json = field.kind === "data"
  const props = { id: ids.id, class: "wt-input wt-text", "aria-describedby": ids.help, spellcheck: "false" }
  const input = json ? make("textarea", { ...props, rows: 3 }) : make("input", props)
  let now = field
  const words = (value: unknown) => (json ? JSON.stringify(value) : typeof value === "string" ? value : "")
  const wrong = make("p", { class: "wt-alarm", role: "alert" })
  input.addEventListener("change", () => {
    wrong.textContent = ""
    try {
      void give(false, json ? JSON.parse(input.value) : input.value === "" && now.optional ? null : input.value)
    } catch {
      wrong.textContent = `this is not JSON; write it like ${words(now.default)}`
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
function numbersControl(field: NumbersField, give: Give, ids: Ids): Control<NumbersField> {
  let now = field
  const entries = field.parts.map((part, i) =>
    numberEntry({
      id: i === 0 ? ids.id : null,
      help: ids.help,
      label: `${field.label}: ${part}`,
      get: () => ({ value: now.value?.[i] ?? null }),
      give: (value) => give(false, now.value?.map((old, j) => (j === i ? value : old)) ?? null),
    }),
  )
  const row = make(
    "div",
    { class: "wt-numbers" },
    ...entries.map(({ element }, i) => make("label", {}, make("span", { class: "wt-label" }, field.parts[i]), element)),
  )
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
function listControl(_: ListField, give: Give): Control<ListField> {
  const list = make("ul", { class: "wt-items" })
  return {
    main: list,
    focus: () => list.querySelector("button")?.focus(),
    update({ value, items, label }) {
      const without = (i: number) =>
        give(
          false,
          value.filter((_, j) => j !== i),
        )
      const remove = (i: number) => button("Remove", () => without(i), { "aria-label": `remove ${label} ${i + 1}` })
      const line = (words: string, i: number) =>
        make("li", { class: "wt-row" }, make("span", { class: "wt-grow wt-figures" }, `${i + 1}. ${words}`), remove(i))
      list.replaceChildren(...items.map(line))
      if (!items.length) list.append(make("li", { class: "wt-soft" }, "none"))
    },
  }
}

function controlFor(field: Field, give: Give, ids: Ids): Control<Field> {
  // Each control is only ever updated with fields of the kind that it was made for.
  switch (field.kind) {
    case "number":
    case "integer":
      return numberControl(field, give, ids) as Control<Field>
    case "choice":
      return choiceControl(field, give, ids) as Control<Field>
    case "switch":
      return switchControl(field, give, ids) as Control<Field>
    case "numbers":
      return numbersControl(field, give, ids) as Control<Field>
    case "list":
      return listControl(field, give) as Control<Field>
    default:
      return textControl(field, give, ids) as Control<Field>
  }
}

/** What can be done with a setting: put its default back, pick up the tool of the picture that draws it. */
interface Ways {
  give: Give
  reset?: () => unknown
  take?: (tool: string) => unknown
}

export interface Row {
  element: HTMLElement
  focus: () => void
  update: (field: Field) => void
}

/** A setting: label, control, help, "automatic" where it may be empty, and a way back to the default. */
export function settingRow(field: Field, { give, reset, take }: Ways): Row {
  const ids = { id: freshId(field.name), help: freshId("help") }
  const { tool } = field
  let now = field
  const control = controlFor(field, give, ids)
  const back = reset ? button("↺", reset, { class: "wt-button wt-quiet wt-back" }) : null
  const canBeEmpty = field.optional && field.kind !== "choice" && field.kind !== "text"
  const automatic = canBeEmpty ? make("input", { type: "checkbox" }) : null
  const measured = make("span", {})
  automatic?.addEventListener("change", () => {
    const start = "start" in now ? now.start : now.default
    void give(false, automatic.checked ? null : start)
  })
  const drawn = take && tool ? button("Draw on the picture", () => take(tool), { class: "wt-button wt-draw" }) : null
  const head = make(
    "div",
    { class: "wt-field-head" },
    make("label", { for: ids.id, class: "wt-field-name", title: field.help }, field.label),
    back,
    make("span", { class: "wt-grow" }),
    automatic && make("label", { class: "wt-automatic" }, automatic, field.empty ?? "automatic", measured),
    control.side,
  )
  const help = make("p", { id: ids.help, class: "wt-help" }, field.help)
  const props = { class: "wt-field", dataset: { name: field.name, kind: field.kind } }
  const element = make("div", props, head, control.main, drawn, help)

  const showBack = (next: Field) => {
    const differs = JSON.stringify(next.value) !== JSON.stringify(next.default)
    element.classList.toggle("wt-changed", differs)
    if (!back) return
    back.hidden = !differs
    const words = defaultWords(next.default)
    attribute(back, "aria-label", `put ${next.label} back to ${words}`)
    attribute(back, "title", `back to ${words}`)
  }
  const showEmpty = (next: Field) => {
    if (!automatic) return
    const empty = next.value === null
    automatic.checked = empty
    attribute(automatic, "aria-label", `${next.label}: ${next.empty ?? "automatic"}`)
    if (control.main) control.main.hidden = empty
    if (control.side) control.side.hidden = empty
    const found = "measured" in next ? next.measured : null
    const isKnown = empty && typeof found === "number" && Number.isFinite(found)
    measured.textContent = isKnown ? `: ${entryWords(Number(found.toPrecision(3)))} ${next.unit}` : ""
  }
  return {
    element,
    focus: control.focus,
    update(next) {
      now = next
      control.update(next)
      showBack(next)
      showEmpty(next)
    },
  }
}

/** A default in words. */
function defaultWords(value: unknown): string {
  if (value === null || value === undefined) return "automatic"
  if (Array.isArray(value)) return value.length ? value.join(",") : "none"
  return typeof value === "string" ? value : JSON.stringify(value)
}
