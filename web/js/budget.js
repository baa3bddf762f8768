// How exact the next shot can be: what adds to its error.

import { el, table } from "./dom.js";
import { fixed } from "./units.js";

/** @import { Term } from "../protocol.d.ts" */

/** @param {Term[]} terms */
export function budgetTable(terms) {
	const most = Math.max(...terms.map((t) => Math.abs(t.ms)), 1e-9);
	const rows = terms.map((t) => {
		const share = el("span", { class: "share" });
		share.style.width = `${(100 * Math.abs(t.ms)) / most}%`;
		return el(
			"tr",
			{},
			el(
				"th",
				{ scope: "row" },
				t.name,
				t.steady ? el("i", {}, " the same each time: the trim takes it out") : null,
				share,
			),
			el("td", {}, small(t.ms, 2)),
			el("td", {}, small(t.mm, 1)),
		);
	});
	return table([["What adds to it"], ["Time", el("i", {}, "ms")], ["Distance", el("i", {}, "mm")]], rows);
}

/** A figure that is too small for its decimals is not shown as 0. @param {number} v @param {number} digits */
function small(v, digits) {
	const least = 10 ** -digits;
	return v !== 0 && Math.abs(v) < least / 2 ? `< ${least}` : fixed(v, digits);
}
