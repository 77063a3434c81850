// What the panels of one bench know of each other: the element around them, and the words that they call.

/** The recipe's cards were brought up to date; told by the recipe panel. */
export const CARDS = "wt-cards"

/** The settings have moved into a card; told from there. */
export const UNFOLDED = "wt-unfolded"

/** The kernel hears the bench, or no longer; told by the toolbar, with the condition as its detail. */
export const KERNEL = "wt-kernel"

/** The bench that an element is a part of; null where a panel stands alone. */
export const benchOf = (element: Element): HTMLElement | null => element.closest<HTMLElement>(".wt-bench")

/** Call `react` as soon as an element has a place on the page. */
export function onceShown(element: HTMLElement, signal: AbortSignal, react: () => void): void {
  const observer = new ResizeObserver(() => {
    if (!element.isConnected) return
    observer.disconnect()
    react()
  })
  observer.observe(element)
  signal.addEventListener("abort", () => observer.disconnect(), { once: true })
}
