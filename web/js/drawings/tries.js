// Tries over what was varied between them: the machine draws them, and here is what came of them.

import { drawn, el } from "../dom.js";

/** @import { Fact } from "../../protocol.d.ts" */

/** What came of the tries, as a list. @param {Fact[]} facts */
export const factList = (facts) =>
	el("dl", { class: "values found-facts" }, ...facts.flatMap((f) => [el("dt", {}, f.name), el("dd", {}, f.text)]));

/** The machine's drawing; nothing if there is none. @param {string} strip */
export function triesDrawing(strip) {
	const svg = drawn(strip);
	return svg ? [svg] : [];
}
