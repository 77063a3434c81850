import { describe, expect, it, vi } from "vitest"
import { settingRow } from "../../panels/settings/controls"
import { entryWords, rangeWords, rounded, sliderScale, typedNumber } from "../../panels/settings/number"
import type { Field, NumberField } from "../../panels/settings/state"

const NUMBER: NumberField = {
  name: "strength",
  label: "Strength",
  help: "how much",
  unit: "px",
  expert: false,
  optional: false,
  kind: "number",
  value: 0.5,
  default: 0.5,
  start: 0.5,
  min: 0,
  max: 1,
  low: 0,
  high: 1,
  step: 0.01,
  scale: "linear",
}

describe("a slider", () => {
  it.each([
    { scale: "linear", low: -2, high: 6 },
    { scale: "log", low: 0.01, high: 100 },
    { scale: "root", low: 0, high: 50 },
  ] as const)("of scale $scale leads from end to end and back", (range) => {
    const scale = sliderScale(range)
    expect(scale?.to(0)).toBeCloseTo(range.low, 9)
    expect(scale?.to(1)).toBeCloseTo(range.high, 9)
    for (const place of [0.1, 0.5, 0.9]) expect(scale?.from(scale.to(place))).toBeCloseTo(place, 9)
  })

  it("is not there where the range is open", () => {
    expect(sliderScale({ scale: "linear", low: 0, high: null })).toBeNull()
  })

  it("gives as many digits as its step is worth", () => {
    expect(rounded(0.123456, { kind: "number", scale: "linear", step: 0.01 })).toBe(0.12)
    expect(rounded(123.456, { kind: "number", scale: "log", step: 1 })).toBe(123)
    expect(rounded(2.7, { kind: "integer", scale: "root", step: 1 })).toBe(3)
  })
})

it("typed numbers are read as people write them", () => {
  expect(["1,5", " 12 000 ", "1'000.5", "-3"].map(typedNumber)).toEqual([1.5, 12000, 1000.5, -3])
  expect(["", "two"].map(typedNumber)).toEqual([NaN, NaN])
  expect([0.1 + 0.2, null, 12].map(entryWords)).toEqual(["0.3", "", "12"])
})

it("what is allowed is said in words", () => {
  expect(rangeWords({ min: 0, max: 1, unit: "px" })).toBe("0 to 1 px")
  expect(rangeWords({ min: 0, max: null })).toBe("0 or more")
  expect(rangeWords({})).toBe("")
})

describe("a row", () => {
  const open = (field: Field) => {
    const give = vi.fn(() => Promise.resolve())
    const reset = vi.fn()
    const row = settingRow(field, { give, reset })
    row.update(field)
    document.body.replaceChildren(row.element)
    return { give, reset, row }
  }
  const inputs = () => [...document.querySelectorAll("input")]

  it("has a slider and an entry for a number, and offers the default only where it was left", () => {
    const { row, reset } = open(NUMBER)
    const back = document.querySelector<HTMLButtonElement>(".wt-back")
    expect(inputs().map((input) => input.type)).toEqual(["text", "range"])
    expect(back?.hidden).toBe(true)
    row.update({ ...NUMBER, value: 0.7 })
    expect(inputs().map((input) => input.value)).toEqual(["0.7", "70"])
    expect(back?.hidden).toBe(false)
    back?.click()
    expect(reset).toHaveBeenCalledTimes(1)
  })

  it("hands on what was typed when Enter is pressed", () => {
    const { give } = open(NUMBER)
    const [entry] = inputs()
    entry.value = "0,25"
    entry.dispatchEvent(new Event("input"))
    entry.dispatchEvent(new KeyboardEvent("keydown", { key: "Enter" }))
    expect(give).toHaveBeenCalledWith(false, 0.25)
  })

  it("of a setting that may be empty says what was measured instead", () => {
    const field: NumberField = { ...NUMBER, optional: true, value: null, default: null, measured: 3.14159 }
    open(field)
    expect(document.querySelector(".wt-automatic")?.textContent).toBe("automatic: 3.14 px")
  })

  it("shows names and things of files as text", () => {
    const hostile = `<img src=x onerror="alert(1)">`
    open({ ...NUMBER, kind: "list", label: hostile, help: hostile, value: [1], items: [hostile] })
    expect(document.querySelectorAll("img")).toHaveLength(0)
    expect(document.querySelector(".wt-items")?.textContent).toContain(hostile)
  })
})
