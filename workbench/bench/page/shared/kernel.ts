// Whether the kernel behind a bench still hears it. The page asks a small question while somebody works on it, and
// listens to what the notebook itself knows of its kernel, where it tells.

import { ask } from "./ask"
import { KERNEL } from "./bench"
import type { Model } from "./model"

const BEAT = 1300 // ms between two questions
const PATIENCE = 1400 // ms for an answer: beat and patience together stay below three seconds
const RECENT = 5 * 60_000 // ms; nobody needs to know of a bench that nobody has touched for longer
const ENDED = new Set(["restarting", "autorestarting", "terminating", "dead"])

/** `hears`: all is well; `busy`: it does something else first; `away`: the line to it is broken; `lost`: it was ended,
 *  or started anew, and knows nothing of this bench. */
export type Condition = "hears" | "busy" | "away" | "lost"

/** What notebooks tell of a kernel, as far as it is used here. */
interface Connection {
  status?: string
  connectionStatus?: string
  requestKernelInfo?(): Promise<unknown>
  statusChanged?: { connect(react: () => void): unknown; disconnect(react: () => void): unknown }
}

interface Managed {
  widget_manager?: { kernel?: Connection | null }
}

const connectionOf = (model: object): Connection | null => (model as Managed).widget_manager?.kernel ?? null

/** Call `tell` whenever the kernel's condition changes, and tell the panels of the bench around `root`. */
export function watchKernel<State>(
  model: Model<State>,
  root: HTMLElement,
  tell: (condition: Condition) => void,
  signal: AbortSignal,
): void {
  let condition: Condition = "hears"
  let asking = false
  let touched = performance.now()
  const turn = (next: Condition) => {
    if (next === condition || signal.aborted) return
    condition = next
    root.dispatchEvent(new CustomEvent(KERNEL, { bubbles: true, detail: condition }))
    tell(condition)
  }
  const hears = () =>
    ask(model, "ping", {}, { patience: PATIENCE / 1000, always: true }).then(
      () => true,
      () => false,
    )
  /** Why nothing came back, as far as the notebook tells. */
  const missed = async () => {
    const kernel = connectionOf(model)
    if (kernel?.connectionStatus && kernel.connectionStatus !== "connected") return turn("away")
    if (kernel?.status && ENDED.has(kernel.status)) return turn("lost")
    if (condition === "lost") return
    turn("busy")
    if (!(await answersOthers(kernel))) return
    // It is free and has time for others: does it still not know us?
    turn((await hears()) ? "hears" : "lost")
  }
  const beat = async () => {
    const wanted = condition !== "hears" || performance.now() - touched < RECENT
    if (asking || !wanted || document.hidden) return
    asking = true
    if (await hears()) turn("hears")
    else await missed()
    asking = false
  }
  const timer = setInterval(() => void beat(), BEAT)
  const moved = () => (touched = performance.now())
  for (const name of ["pointermove", "pointerdown", "keydown", "wheel"])
    window.addEventListener(name, moved, { signal, capture: true, passive: true })
  const kernel = connectionOf(model)
  const changed = () => {
    if (kernel?.status && ENDED.has(kernel.status)) turn("lost")
  }
  kernel?.statusChanged?.connect(changed)
  signal.addEventListener(
    "abort",
    () => {
      clearInterval(timer)
      kernel?.statusChanged?.disconnect(changed)
    },
    { once: true },
  )
}

async function answersOthers(kernel: Connection | null): Promise<boolean> {
  if (!kernel?.requestKernelInfo) return false
  const late = new Promise<boolean>((done) => setTimeout(done, PATIENCE, false))
  const answer = kernel.requestKernelInfo().then(
    () => true,
    () => false,
  )
  return Promise.race([answer, late])
}
