// What the page remembers from one time to the next, such as how wide a panel is. Where it may not, it forgets.

const PREFIX = "post-stack-workbench."

export function remembered(name: string): string | null {
  try {
    return localStorage.getItem(PREFIX + name)
  } catch {
    return null
  }
}

export function remember(name: string, value: string | null): void {
  try {
    if (value === null) localStorage.removeItem(PREFIX + name)
    else localStorage.setItem(PREFIX + name, value)
  } catch {
    // A page that keeps nothing still works.
  }
}
