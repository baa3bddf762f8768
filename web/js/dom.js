// Small helpers to make elements. Data goes in as text or attributes, never as markup.

const svgSpace = "http://www.w3.org/2000/svg";

/** @typedef {Node | string | null | undefined | false} Child */
/** @typedef {Record<string, string | number | boolean | null | undefined | ((e: any) => void)>} Attrs */

/**
 * Make an HTML element. Attributes named onX are listeners; true sets an empty attribute, null and false omit it.
 * @template {keyof HTMLElementTagNameMap} K
 * @param {K} tag
 * @param {Attrs} [attrs]
 * @param {...Child} kids
 * @returns {HTMLElementTagNameMap[K]}
 */
export function el(tag, attrs = {}, ...kids) {
	return fill(document.createElement(tag), attrs, kids);
}

/** A button. @param {Attrs} attrs @param {...Child} kids */
export const button = (attrs, ...kids) => el("button", { type: "button", ...attrs }, ...kids);

/** A table: what stands in each cell of its head, and its rows. @param {Child[][]} heads @param {Node[]} rows */
export function table(heads, rows) {
	const head = heads.map((h) => el("th", { scope: "col" }, ...h));
	return el("table", {}, el("thead", {}, el("tr", {}, ...head)), el("tbody", {}, ...rows));
}

/**
 * Make an SVG element.
 * @template {keyof SVGElementTagNameMap} K
 * @param {K} tag
 * @param {Attrs} [attrs]
 * @param {...Child} kids
 * @returns {SVGElementTagNameMap[K]}
 */
export function svg(tag, attrs = {}, ...kids) {
	return fill(/** @type {SVGElementTagNameMap[K]} */ (document.createElementNS(svgSpace, tag)), attrs, kids);
}

/**
 * @template {Element} T
 * @param {T} node
 * @param {Attrs} attrs
 * @param {Child[]} kids
 * @returns {T}
 */
function fill(node, attrs, kids) {
	for (const [name, value] of Object.entries(attrs)) {
		if (typeof value === "function") node.addEventListener(name.slice(2), value);
		else attr(node, name, value);
	}
	for (const kid of kids) {
		if (kid) node.append(typeof kid === "string" ? bound(kid) : kid);
	}
	return node;
}

/**
 * Set, change or remove one attribute, touching the page only when it changes.
 * @param {Element} node
 * @param {string} name
 * @param {string | number | boolean | null | undefined} value
 */
export function attr(node, name, value) {
	if (value === null || value === undefined || value === false) {
		if (node.hasAttribute(name)) node.removeAttribute(name);
		return;
	}
	const want = value === true ? "" : String(value);
	if (node.getAttribute(name) !== want) node.setAttribute(name, want);
}

const beforeUnit = /(\d) (?=(?:[µnm]?s|[cm]?m|m\/s|°C?|ticks?|m?A|V|%)(?![\p{L}\d]))/gu;

/** A number and its unit never stand on two lines. @param {string} words */
export const bound = (words) => words.replace(beforeUnit, "$1\u00a0");

/**
 * Set a node's text only when it changes, so that a selection or a screen reader is not disturbed.
 * @param {Node | null} node
 * @param {string} text
 */
export function text(node, text) {
	const want = bound(text);
	if (node && node.textContent !== want) node.textContent = want;
}

/**
 * The element with an id of index.html.
 * @template {HTMLElement} [T=HTMLElement]
 * @param {string} id
 * @returns {T}
 */
export function byId(id) {
	const node = document.getElementById(id);
	if (!node) throw new Error(`the page has no #${id}`);
	return /** @type {T} */ (node);
}

/**
 * Reconcile a parent's children with a list: one node a key, made once, moved only when the order changed. Nodes
 * that stay keep their focus and what is typed in them.
 * @template T
 * @template {HTMLElement} N
 * @param {Element} parent
 * @param {T[]} items
 * @param {(item: T) => string} key
 * @param {(item: T) => N} make
 * @param {(node: N, item: T, index: number) => void} [update]
 */
export function keyed(parent, items, key, make, update) {
	const old = new Map(Array.from(parent.children, (c) => [c.getAttribute("data-key"), c]));
	items.forEach((item, i) => {
		const k = key(item);
		let node = /** @type {N | undefined} */ (old.get(k));
		old.delete(k);
		if (!node) {
			node = make(item);
			node.dataset.key = k;
		}
		if (parent.children[i] !== node) parent.insertBefore(node, parent.children[i] ?? null);
		update?.(node, item, i);
	});
	for (const gone of old.values()) gone.remove();
}

/** A drawing that the machine made, as nodes of this page; null if it is none. @param {string} source SVG */
export function drawn(source) {
	const root = source && new DOMParser().parseFromString(source, "image/svg+xml").documentElement;
	return root && root.localName === "svg" ? document.importNode(root, true) : null;
}

/** What a person opens comes into sight; what a reload opens stays where it is. @param {HTMLElement} fold */
export function intoSight(fold) {
	let pressed = false;
	fold.querySelector("summary")?.addEventListener("click", () => (pressed = true));
	fold.addEventListener("toggle", () => {
		if (pressed) fold.scrollIntoView({ block: "nearest" });
		pressed = false;
	});
}
