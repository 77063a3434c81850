import { afterEach, beforeEach, describe, expect, it, vi } from "vitest"
import { ask, newestOnly, whenQuiet } from "../shared/ask"
import { actor, statusLine } from "../shared/telling"
import { FakeModel } from "./fake_model"

beforeEach(() => vi.useFakeTimers())
afterEach(() => vi.useRealTimers())

/** Let promises that are ready go on, and one picture of the screen pass. */
const aFrame = () => vi.advanceTimersByTimeAsync(17)

describe("ask", () => {
  it("brings the value of the reply with its own number", async () => {
    const model = new FakeModel({})
    const answer = ask(model, "probe", { x: 3 })
    expect(model.sent[0]).toMatchObject({ do: "probe", with: { x: 3 } })
    model.message({ reply: -1, value: "of another page", error: null })
    model.answer("probe", 7)
    await expect(answer).resolves.toBe(7)
  })

  it("fails with the sentence of the kernel", async () => {
    const model = new FakeModel({})
    const answer = ask(model, "open")
    model.answer("open", null, "open a stack first")
    await expect(answer).rejects.toThrow("open a stack first")
  })

  it("gives up after its patience, and an answer that comes later does nothing", async () => {
    const model = new FakeModel({})
    const answer = expect(ask(model, "probe", {}, { patience: 2 })).rejects.toThrow("the kernel does not answer")
    await vi.advanceTimersByTimeAsync(2100)
    await answer
    model.answer("probe", 7)
  })

  it("listens once to a model, however many views ask it", () => {
    const model = new FakeModel({})
    void ask(model, "hello")
    void ask(model, "hello")
    expect(model.listeners("msg:custom")).toBe(1)
  })
})

describe("newestOnly", () => {
  it("has one value on its way, and sends the last of those that came meanwhile", async () => {
    const sent: number[] = []
    const ends: (() => void)[] = []
    const give = newestOnly((value: number) => {
      sent.push(value)
      return new Promise<void>((end) => ends.push(end))
    })
    give(1)
    await aFrame()
    for (const value of [2, 3, 4]) give(value)
    await aFrame()
    expect(sent).toEqual([1])
    ends[0]()
    await aFrame()
    expect(sent).toEqual([1, 4])
  })

  it("goes on after a value that was refused", async () => {
    const sent: number[] = []
    const give = newestOnly((value: number) => {
      sent.push(value)
      return Promise.reject(new Error("refused"))
    })
    give(1)
    await aFrame()
    give(2)
    await aFrame()
    expect(sent).toEqual([1, 2])
  })

  it("forgets what was not sent yet", async () => {
    const sent: number[] = []
    const give = newestOnly((value: number) => Promise.resolve(sent.push(value)))
    give(1)
    give.forget()
    await aFrame()
    expect(sent).toEqual([])
  })
})

it("whenQuiet works once after the last call", async () => {
  const work = vi.fn()
  const later = whenQuiet(work, 100)
  later()
  await vi.advanceTimersByTimeAsync(60)
  later()
  await vi.advanceTimersByTimeAsync(99)
  expect(work).not.toHaveBeenCalled()
  await vi.advanceTimersByTimeAsync(2)
  expect(work).toHaveBeenCalledTimes(1)
})

it("what goes wrong is told in the status line, and success takes it away", async () => {
  const model = new FakeModel({})
  const status = statusLine()
  const act = actor(model, status)
  const first = act("undo")
  model.answer("undo", null, "nothing to undo")
  await expect(first).resolves.toBeUndefined()
  expect(status.element.querySelector("[role=alert]")?.textContent).toBe("nothing to undo")
  const second = act("undo")
  model.answer("undo", 1)
  await expect(second).resolves.toBe(1)
  expect(status.element.textContent).toBe("")
})
