// Making elements. Text always goes in as text: nothing that comes from a file or from Python is read as HTML.

export type AttributeValue = string | number | boolean | null | undefined
export type Child = Node | string | null | undefined | false

export interface Props {
  on?: Record<string, (event: Event) => unknown>
  dataset?: Record<string, string | number>
  style?: Record<string, string>
  [attribute: string]: unknown
}

/** `make("button", { class: "wt-button", "aria-pressed": "false", on: { click } }, "Undo")`.
 *  `null`, `undefined` and `false` leave an attribute out, `true` sets it empty. */
export function make<Tag extends keyof HTMLElementTagNameMap>(
  tag: Tag,
  props: Props = {},
  ...children: (Child | Child[])[]
): HTMLElementTagNameMap[Tag] {
  return fill(document.createElement(tag), props, children)
}

const SVG = "http://www.w3.org/2000/svg"

/** The same for drawings. */
export function makeSvg<Tag extends keyof SVGElementTagNameMap>(
  tag: Tag,
  props: Props = {},
  ...children: (Child | Child[])[]
): SVGElementTagNameMap[Tag] {
  return fill(document.createElementNS(SVG, tag), props, children)
}

function fill<Made extends HTMLElement | SVGElement>(element: Made, props: Props, children: (Child | Child[])[]): Made {
  const { on = {}, dataset = {}, style = {}, ...attributes } = props
  for (const [name, value] of Object.entries(attributes)) attribute(element, name, value as AttributeValue)
  for (const [event, react] of Object.entries(on)) element.addEventListener(event, react)
  for (const [name, value] of Object.entries(style)) element.style.setProperty(name, value)
  tell(element, dataset)
  element.append(...children.flat().filter((child): child is Node | string => isShown(child)))
  return element
}

const isShown = (child: Child) => child !== null && child !== undefined && child !== false

/** Say facts about an element in its data attributes. */
export function tell(element: HTMLElement | SVGElement, facts: Record<string, string | number>): void {
  for (const [name, value] of Object.entries(facts)) element.dataset[name] = String(value)
}

/** Set, or with `null`/`false` take away, an attribute; touches the page only where something changes. */
export function attribute(element: Element, name: string, value: AttributeValue): void {
  if (value === null || value === undefined || value === false) element.removeAttribute(name)
  else if (value === true) element.setAttribute(name, "")
  else if (element.getAttribute(name) !== String(value)) element.setAttribute(name, String(value))
}

/** A button with words on it; `pressed` makes it a switch. */
export function button(
  words: string,
  press: () => unknown,
  { pressed = null, ...props }: Props & { pressed?: boolean | null } = {},
): HTMLButtonElement {
  const state = pressed === null ? null : String(pressed)
  const whole = { type: "button", class: "wt-button", "aria-pressed": state, on: { click: press }, ...props }
  return make("button", whole, words)
}

let made = 0

/** An id that no other element of the page has. */
export function freshId(word: string): string {
  made += 1
  return `wt-${word}-${made}-${Math.random().toString(36).slice(2, 7)}`
}

/** The data attributes of the element that an event happened on. */
export const datasetOf = (event: Event): DOMStringMap =>
  event.target instanceof HTMLElement || event.target instanceof SVGElement ? event.target.dataset : {}

/** The nearest element around the place of an event that fits a selector. */
export const closest = (event: Event, selector: string): HTMLElement | null =>
  event.target instanceof Element ? event.target.closest<HTMLElement>(selector) : null

/** Whether the person asked their system for less movement. */
export const wantsCalm = (): boolean => matchMedia("(prefers-reduced-motion: reduce)").matches

/** The window in which an element is seen: the notebook's, or one of its own. */
export const windowOf = (element: Element): Window & typeof globalThis => element.ownerDocument.defaultView ?? window
