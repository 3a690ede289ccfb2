/** Short ways to make and find elements of the page. */

/** What an element is made with. */
export interface ElementParts {
  readonly text?: string;
  readonly attributes?: Readonly<Record<string, string>>;
  readonly children?: readonly (Node | string)[];
}

/** A new element. */
export function element<Name extends keyof HTMLElementTagNameMap>(
  name: Name,
  { text, attributes = {}, children = [] }: ElementParts = {},
): HTMLElementTagNameMap[Name] {
  const made = document.createElement(name);
  for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
  if (text !== undefined) made.textContent = text;
  made.append(...children);
  return made;
}

/** A button that says what it does. */
export function button(text: string, press: () => void, attributes: Readonly<Record<string, string>> = {}) {
  const made = element("button", { text, attributes: { type: "button", ...attributes } });
  made.addEventListener("click", press);
  return made;
}

/** The element of an id; the page has it. */
export const byId = <Kind extends HTMLElement>(id: string): Kind => document.getElementById(id) as Kind;

/** A number in as few figures as a person would write: five. */
export const shortNumber = (value: number): string => String(Number(value.toPrecision(5)));
