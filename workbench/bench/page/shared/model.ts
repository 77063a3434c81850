// What anywidget hands to a panel: the half of a widget that lives in the page.

/** A panel's model; `state` is what the page shows, and only Python changes it. */
export interface Model<State> {
  get(name: "state"): State | undefined
  on(event: "msg:custom", react: (message: Message | null, buffers?: DataView[]) => void): void
  on(event: `change:${string}`, react: () => void): void
  off(event: string, react: (...args: never[]) => void): void
  send(content: Message, callbacks?: undefined, buffers?: ArrayBuffer[]): void
}

/** Plain data on its way between the page and the kernel. */
export type Message = Record<string, unknown>

/** What `render` of a widget gets. */
export interface Widget<State> {
  model: Model<State>
  el: HTMLElement
}

/** Call `react` on a model's change of state until `signal` says that the view is gone. */
export function watchState<State>(model: Model<State>, react: () => void, signal: AbortSignal): void {
  model.on("change:state", react)
  signal.addEventListener("abort", () => model.off("change:state", react), { once: true })
}

/** The same for messages and the binary data that come with them. */
export function watchMessages<State>(
  model: Model<State>,
  react: (message: Message | null, buffers?: DataView[]) => void,
  signal: AbortSignal,
): void {
  model.on("msg:custom", react)
  signal.addEventListener("abort", () => model.off("msg:custom", react), { once: true })
}
