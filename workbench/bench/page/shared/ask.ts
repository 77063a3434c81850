// Asking the kernel, without ever letting questions queue up.

import type { Message, Model } from "./model"

interface Waiting {
  resolve: (value: unknown) => void
  reject: (reason: Error) => void
  timer: ReturnType<typeof setTimeout> | undefined
}

interface Asker {
  next: number
  waiting: Map<unknown, Waiting>
  /** Why nothing can be asked any more; null: it can. */
  refusal: string | null
}

export interface AskOptions {
  /** Binary data sent along. */
  buffers?: ArrayBuffer[]
  /** Seconds after which an answer is no longer expected; 0: however long it takes. */
  patience?: number
  /** Whether it goes out even where everything else is refused. */
  always?: boolean
}

const askers = new WeakMap<object, Asker>() // model -> what it waits for; two views of one panel share a model

function askerOf<State>(model: Model<State>): Asker {
  const known = askers.get(model)
  if (known) return known
  // Replies reach every open page, so numbers start at a place of this page's own.
  const asker: Asker = { next: Math.floor(Math.random() * 2 ** 40), waiting: new Map(), refusal: null }
  askers.set(model, asker)
  model.on("msg:custom", (message) => {
    const promise = asker.waiting.get(message?.reply)
    if (!promise || !message) return
    asker.waiting.delete(message.reply)
    clearTimeout(promise.timer)
    if (typeof message.error === "string" && message.error) promise.reject(new Error(message.error))
    else promise.resolve(message.value)
  })
  return asker
}

/** Ask the kernel to do `name` with `args`; the promise brings the value, or fails with a sentence for people. */
export function ask<State>(
  model: Model<State>,
  name: string,
  args: Message = {},
  { buffers = [], patience = 0, always = false }: AskOptions = {},
): Promise<unknown> {
  const asker = askerOf(model)
  if (asker.refusal && !always) return Promise.reject(new Error(`not done: ${asker.refusal}`))
  const id = asker.next++
  return new Promise((resolve, reject) => {
    const late = () => {
      asker.waiting.delete(id)
      reject(new Error("the kernel does not answer: it may be busy, or it was stopped"))
    }
    const timer = patience > 0 ? setTimeout(late, patience * 1000) : undefined
    asker.waiting.set(id, { resolve, reject, timer })
    try {
      model.send({ id, do: name, with: args }, undefined, buffers)
    } catch (error) {
      asker.waiting.delete(id)
      clearTimeout(timer)
      reject(error instanceof Error ? error : new Error(String(error)))
    }
  })
}

/** Refuse all questions, also those that wait for an answer, with a reason; null: ask again. */
export function refuse<State>(model: Model<State>, reason: string | null): void {
  const asker = askerOf(model)
  asker.refusal = reason
  if (reason === null) return
  for (const { reject, timer } of asker.waiting.values()) {
    clearTimeout(timer)
    reject(new Error(`not done: ${reason}`))
  }
  asker.waiting.clear()
}

/** A function whose calls can be forgotten before they have their effect. */
export interface Forgettable<Args extends unknown[]> {
  (...args: Args): void
  forget: () => void
}

/** A function that hands on the newest value only: one unanswered `send` at a time, one at most per painted frame.
 *  `send(value)` returns a promise; values that came meanwhile are replaced by the last one. */
export function newestOnly<Value>(send: (value: Value) => Promise<unknown>): Forgettable<[Value]> {
  let waiting: { value: Value } | null = null
  let busy = false
  let frame = 0
  const go = async () => {
    frame = 0
    if (busy || !waiting) return
    const { value } = waiting
    waiting = null
    busy = true
    try {
      await send(value)
    } catch {
      // Whoever sends tells the person; the next value must go out all the same.
    }
    busy = false
    if (waiting) next()
  }
  const next = () => (frame = requestAnimationFrame(() => void go()))
  const give = (value: Value) => {
    waiting = { value }
    if (!frame && !busy) next()
  }
  give.forget = () => {
    waiting = null
    cancelAnimationFrame(frame)
    frame = 0
  }
  return give
}

/** Run `work` when calls have been quiet for `ms`. */
export function whenQuiet(work: () => void, ms: number): Forgettable<[]> {
  let timer: ReturnType<typeof setTimeout> | undefined
  const later = () => {
    clearTimeout(timer)
    timer = setTimeout(work, ms)
  }
  later.forget = () => clearTimeout(timer)
  return later
}
