import { describe, expect, it } from "vitest"
import { attribute, button, make, makeSvg } from "../shared/dom"
import { keyName, onKeys, slidTo } from "../shared/keys"
import { bytesWords, plainNumber } from "../shared/numbers"
import { panel } from "../shared/panel"
import { FakeModel } from "./fake_model"

const HOSTILE = `<img src=x onerror="alert(1)">&amp;`

describe("make", () => {
  it("takes text as text, whatever is in it", () => {
    const element = make("p", { title: HOSTILE, dataset: { name: HOSTILE } }, HOSTILE, make("b", {}, HOSTILE))
    expect(element.querySelectorAll("img")).toHaveLength(0)
    expect(element.textContent).toBe(HOSTILE + HOSTILE)
    expect(element.title).toBe(HOSTILE)
    expect(element.dataset.name).toBe(HOSTILE)
    expect(button(HOSTILE, () => null).textContent).toBe(HOSTILE)
    expect(makeSvg("text", {}, HOSTILE).textContent).toBe(HOSTILE)
  })

  it("leaves out attributes and children that are not there", () => {
    const element = make("input", { id: null, hidden: true, disabled: false, max: 0 }, null, false, undefined)
    expect(element.getAttributeNames().sort()).toEqual(["hidden", "max"])
    expect(element.childNodes).toHaveLength(0)
  })

  it("takes an attribute away again", () => {
    const element = make("p", { title: "x" })
    attribute(element, "title", null)
    expect(element.hasAttribute("title")).toBe(false)
  })
})

describe("keys", () => {
  const press = (key: string, held: KeyboardEventInit = {}) =>
    new KeyboardEvent("keydown", { key, bubbles: true, cancelable: true, ...held })

  it("have names", () => {
    expect(keyName(press("Enter"))).toBe("Enter")
    expect(keyName(press("ArrowLeft", { shiftKey: true }))).toBe("Shift+ArrowLeft")
    expect(keyName(press("Z", { shiftKey: true, metaKey: true }))).toBe("Ctrl+Z")
  })

  it("that a reaction refuses go on to others", () => {
    const root = make("div")
    onKeys(root, { a: () => false, b: () => true }, new AbortController().signal)
    const [refused, taken] = [press("a"), press("b")]
    root.dispatchEvent(refused)
    root.dispatchEvent(taken)
    expect([refused.defaultPrevented, taken.defaultPrevented]).toEqual([false, true])
  })

  it("in a text field are text", () => {
    const root = make("div", {}, make("input"))
    onKeys(root, { b: () => true }, new AbortController().signal)
    const typed = press("b")
    root.querySelector("input")?.dispatchEvent(typed)
    expect(typed.defaultPrevented).toBe(false)
  })

  it("move a slider inside its range", () => {
    const range = { min: 0, max: 1, step: 0.01 }
    expect(slidTo(press("ArrowRight"), 0.5, range)).toBeCloseTo(0.51)
    expect(slidTo(press("ArrowRight", { shiftKey: true }), 0.95, range)).toBe(1)
    expect(slidTo(press("Home"), 0.5, range)).toBe(0)
    expect(slidTo(press("ArrowRight", { ctrlKey: true }), 0.5, range)).toBeNull()
    expect(slidTo(press("x"), 0.5, range)).toBeNull()
  })
})

it("numbers are as long as people want to read", () => {
  expect([0, 0.01234, 12.34, 1234.5, 0.00001, NaN, null].map((value) => plainNumber(value))).toEqual([
    "0",
    "0.0123",
    "12.3",
    "1235",
    "1.0e-5",
    "–",
    "–",
  ])
  expect([500, 2_400_000, 3.21e9].map(bytesWords)).toEqual(["1 kB", "2 MB", "3.2 GB"])
})

it("a panel that is gone leaves nothing behind", () => {
  const el = make("div")
  const signals: AbortSignal[] = []
  const { render } = panel("steps", "Recipe", (_, { root, signal }) => {
    root.append("here")
    signals.push(signal)
  })
  const gone = render({ model: new FakeModel({}), el })
  expect(el.querySelector("section.wt.wt-steps")?.getAttribute("aria-label")).toBe("Recipe")
  gone()
  expect(el.childNodes).toHaveLength(0)
  expect(signals[0].aborted).toBe(true)
})
