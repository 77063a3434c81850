import { afterEach, beforeEach, describe, expect, it, vi } from "vitest"
import { ask } from "../shared/ask"
import { type Condition, watchKernel } from "../shared/kernel"
import { panel } from "../shared/panel"
import { actor, statusLine } from "../shared/telling"
import { FakeModel } from "./fake_model"

beforeEach(() => vi.useFakeTimers())
afterEach(() => {
  vi.useRealTimers()
  document.body.replaceChildren()
})

/** What a notebook tells of its kernel. */
class FakeKernel {
  status = "idle"
  connectionStatus = "connected"
  answers = true
  #react: () => void = () => {}
  statusChanged = { connect: (react: () => void) => (this.#react = react), disconnect: () => {} }
  requestKernelInfo = () => (this.answers ? Promise.resolve({}) : new Promise(() => {}))
  turn(status: string) {
    this.status = status
    this.#react()
  }
}

/** A bench with one panel, and what was told of its kernel. */
function bench(kernel: FakeKernel | null = null) {
  const model = Object.assign(new FakeModel({}), { widget_manager: { kernel } })
  const element = document.createElement("div")
  element.className = "wt-bench"
  document.body.append(element)
  const told: Condition[] = []
  const built = { act: (_name: string): Promise<unknown> => Promise.resolve(), status: statusLine() }
  const close = panel<object>("toolbar", "Toolbar", (itsModel, { root, signal }) => {
    built.act = actor(itsModel, built.status)
    root.append(built.status.element)
    watchKernel(itsModel, root, (condition) => told.push(condition), signal)
  }).render({ model, el: element })
  const pings = () => model.sent.filter((message) => message.do === "ping").length
  return { model, element, told, built, close, pings }
}

describe("watchKernel", () => {
  it("says nothing while every question is answered", async () => {
    const { model, told, close } = bench()
    for (let i = 0; i < 5; i++) {
      await vi.advanceTimersByTimeAsync(1300)
      model.answer("ping", true)
    }
    expect(told).toEqual([])
    close()
  })

  it("says that the kernel is busy before three seconds are over, and takes it back by itself", async () => {
    const { model, told, element, built, close } = bench()
    await vi.advanceTimersByTimeAsync(2999)
    expect(told).toEqual(["busy"])
    expect(element.dataset.kernel).toBe("busy")
    // What is done meanwhile waits, and the place says so.
    const done = built.act("undo")
    await vi.advanceTimersByTimeAsync(400)
    expect(built.status.element.textContent).toBe("this is done as soon as the kernel is free")
    model.answer("undo", 3)
    await expect(done).resolves.toBe(3)
    await vi.advanceTimersByTimeAsync(1300)
    model.answer("ping", true)
    await vi.advanceTimersByTimeAsync(0)
    expect(told).toEqual(["busy", "hears"])
    expect(element.dataset.kernel).toBe("hears")
    close()
  })

  it("refuses at the place what is asked of a kernel that was started anew", async () => {
    const kernel = new FakeKernel()
    const { model, told, built, close } = bench(kernel)
    const before = expect(ask(model, "probe")).rejects.toThrow("not done: the kernel of this bench was stopped")
    kernel.turn("restarting")
    expect(told).toEqual(["lost"])
    await before
    const sent = model.sent.length
    await built.act("undo")
    expect(model.sent.length).toBe(sent)
    expect(built.status.element.textContent).toBe("not done: the kernel of this bench was stopped")
    kernel.turn("idle")
    await vi.advanceTimersByTimeAsync(20_000)
    expect(told).toEqual(["lost"])
    close()
  })

  it("tells a kernel that has forgotten the bench from one that has no time", async () => {
    const [free, computing] = [new FakeKernel(), new FakeKernel()]
    computing.answers = false
    const [forgotten, waiting] = [bench(free), bench(computing)]
    await vi.advanceTimersByTimeAsync(10_000)
    expect(forgotten.told).toEqual(["busy", "lost"])
    expect(waiting.told).toEqual(["busy"])
    forgotten.close()
    waiting.close()
  })

  it("says that the line is broken", async () => {
    const kernel = new FakeKernel()
    kernel.connectionStatus = "connecting"
    const { told, close } = bench(kernel)
    await vi.advanceTimersByTimeAsync(3000)
    expect(told).toEqual(["away"])
    close()
  })

  it("leaves the kernel alone while nobody touches the bench, and when its view is gone", async () => {
    const { model, pings, close } = bench()
    const answering = setInterval(() => model.answer("ping", true), 50)
    await vi.advanceTimersByTimeAsync(6 * 60_000)
    const before = pings()
    await vi.advanceTimersByTimeAsync(60_000)
    expect(pings()).toBe(before)
    window.dispatchEvent(new Event("pointermove"))
    await vi.advanceTimersByTimeAsync(2000)
    expect(pings()).toBeGreaterThan(before)
    close()
    const last = pings()
    await vi.advanceTimersByTimeAsync(60_000)
    expect(pings()).toBe(last)
    clearInterval(answering)
  })
})
