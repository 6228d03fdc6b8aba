// Elements by their names; text is always text, never markup.

export type Child = Node | string | null | undefined | false;
type Props = Record<string, unknown>;

function put(element: Element, props: Props): void {
  for (const [name, value] of Object.entries(props)) {
    if (value === undefined || value === null || value === false) continue;
    if (name.startsWith("on") && typeof value === "function") {
      element.addEventListener(name.slice(2), value as EventListener);
    } else {
      element.setAttribute(name, value === true ? "" : String(value));
    }
  }
}

export function h<K extends keyof HTMLElementTagNameMap>(
    tag: K, props: Props = {}, ...children: Child[]): HTMLElementTagNameMap[K] {
  const element = document.createElement(tag);
  put(element, props);
  for (const child of children) if (child) element.append(child);
  return element;
}

export function s<K extends keyof SVGElementTagNameMap>(
    tag: K, props: Props = {}, ...children: Node[]): SVGElementTagNameMap[K] {
  const element = document.createElementNS("http://www.w3.org/2000/svg", tag);
  put(element, props);
  element.append(...children);
  return element;
}

/// Read out by screen readers, shown to nobody.
export function tell(text: string): void {
  const said = document.getElementById("said");
  if (said && said.textContent !== text) said.textContent = text;
}

export function show(title: string, ...content: Child[]): void {
  const page = document.getElementById("page");
  if (!page) return;
  document.title = title === "panecard" ? title : title + " · panecard";
  page.replaceChildren(...content.filter((c): c is Node | string => Boolean(c)));
}

export function trouble(text: string, ...more: Child[]): HTMLElement {
  return h("div", {class: "trouble", role: "alert"}, h("p", {}, text), ...more);
}
