// A model without a kernel: it remembers what was sent, and answers when the test says so.

import type { Message, Model } from "../shared/model"

export class FakeModel<State> implements Model<State> {
  sent: Message[] = []
  #state: State
  #reactions = new Map<string, ((...args: never[]) => void)[]>()

  constructor(state: State) {
    this.#state = state
  }

  get(): State {
    return this.#state
  }

  on(event: string, react: (...args: never[]) => void): void {
    this.#reactions.set(event, [...(this.#reactions.get(event) ?? []), react])
  }

  off(event: string, react: (...args: never[]) => void): void {
    this.#reactions.set(
      event,
      (this.#reactions.get(event) ?? []).filter((each) => each !== react),
    )
  }

  send(content: Message): void {
    this.sent.push(content)
  }

  /** How many listen to an event. */
  listeners(event: string): number {
    return (this.#reactions.get(event) ?? []).length
  }

  put(changes: Partial<State>): void {
    this.#state = { ...this.#state, ...changes }
    for (const react of this.#reactions.get("change:state") ?? []) react()
  }

  message(content: Message): void {
    for (const react of this.#reactions.get("msg:custom") ?? []) (react as (content: Message) => void)(content)
  }

  /** Answer the last request of a name. */
  answer(name: string, value: unknown = null, error: string | null = null): void {
    const asked = this.sent.findLast((message) => message.do === name)
    this.message({ reply: asked?.id, value, error })
  }
}
