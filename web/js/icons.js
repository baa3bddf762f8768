// Inline icons, so that no meaning depends on colour alone. All are decoration beside a word.

import { svg } from "./dom.js";

/** Paths in a 24 by 24 field, stroked; those after "fill:" are filled. @type {Record<string, string[]>} */
const paths = {
	early: ["M17 4v16", "M2 20h20", "fill:M3.5 12a3 3 0 1 0 6 0a3 3 0 1 0-6 0z"],
	good: ["M4 13l5 5 11-12"],
	late: ["M7 4v16", "M2 20h20", "fill:M14.5 12a3 3 0 1 0 6 0a3 3 0 1 0-6 0z"],
	nothing: ["M5 5l14 14M19 5L5 19"],
	drop: ["M12 3v4", "fill:M12 8c3 4 3.6 5 3.6 6.6a3.6 3.6 0 0 1-7.2 0C8.4 13 9 12 12 8z", "M3 21.5h18"],
	throw: ["M2 20c5 0 7-3 9-7s4-8 11-9", "M7 21c5 0 6-3 8-6s3-4 7-4", "M13 21c3 0 4-2 5-3s2-1 4-1"],
	sound: ["M4 10v4", "M8 7v10", "M12 3v18", "M16 8v8", "M20 10.5v3"],
	warn: ["M12 3L2.5 20h19z", "M12 9.5v5", "M12 17v.5"],
};

/** One icon. @param {string} name */
export const icon = (name) => drawIcon(paths[name], "0 0 24 24", "icon", {});

/**
 * Lines as a picture that is decoration.
 * @param {string[]} lines
 * @param {string} viewBox
 * @param {string} kind
 * @param {Record<string, string>} more
 */
export function drawIcon(lines, viewBox, kind, more) {
	const path = (/** @type {string} */ d) =>
		d.startsWith("fill:") ? svg("path", { d: d.slice(5), class: "solid" }) : svg("path", { d });
	const attrs = { viewBox, class: kind, "aria-hidden": "true", focusable: "false", ...more };
	return svg("svg", attrs, ...(lines ?? []).map(path));
}
