// Inline icons, so that no meaning depends on colour alone. All are decoration beside a word.

import { svg } from "./dom.js";

/** Paths in a 24 by 24 field, stroked; those after "fill:" are filled. @type {Record<string, string[]>} */
const paths = {
	early: ["M17 4v16", "M2 20h20", "fill:M3.5 12a3 3 0 1 0 6 0a3 3 0 1 0-6 0z"],
	good: ["M4 13l5 5 11-12"],
	late: ["M7 4v16", "M2 20h20", "fill:M14.5 12a3 3 0 1 0 6 0a3 3 0 1 0-6 0z"],
	note: ["M5 19l1-4.5L16.5 4l3.5 3.5L9.5 18z", "M14 6.5l3.5 3.5"],
	nothing: ["M5 5l14 14M19 5L5 19"],
	high: ["M3 18h18", "fill:M8.5 7a3.5 3.5 0 1 0 7 0a3.5 3.5 0 1 0-7 0z"],
	low: ["M3 6h18", "fill:M8.5 17a3.5 3.5 0 1 0 7 0a3.5 3.5 0 1 0-7 0z"],
	unjudged: ["M7 12a5 5 0 1 0 10 0a5 5 0 1 0-10 0z"],
	blurred: ["M3 7c3-3 6 3 9 0s6 3 9 0", "M3 13c3-3 6 3 9 0s6 3 9 0", "M3 19c3-3 6 3 9 0s6 3 9 0"],
	black: ["fill:M4 5h16v14H4z"],
	star: ["M12 3.2l2.7 5.7 6.2.8-4.6 4.3 1.2 6.2-5.5-3-5.5 3 1.2-6.2L3.1 9.7l6.2-.8z"],
	kept: ["fill:M12 2.2l3 6.3 6.9.9-5 4.8 1.2 6.8-6.1-3.3L5.9 21l1.2-6.8-5-4.8 6.9-.9z"],
	back: ["M15 4l-8 8 8 8"],
	onward: ["M9 4l8 8-8 8"],
	drop: ["M12 3v4", "fill:M12 8c3 4 3.6 5 3.6 6.6a3.6 3.6 0 0 1-7.2 0C8.4 13 9 12 12 8z", "M3 21.5h18"],
	throw: ["M2 20c5 0 7-3 9-7s4-8 11-9", "M7 21c5 0 6-3 8-6s3-4 7-4", "M13 21c3 0 4-2 5-3s2-1 4-1"],
	sound: ["M4 10v4", "M8 7v10", "M12 3v18", "M16 8v8", "M20 10.5v3"],
	drops: ["fill:M12 1.5c2 2.6 2.4 3.4 2.4 4.5a2.4 2.4 0 0 1-4.8 0c0-1.1.4-1.9 2.4-4.5z", "M4 12c3 1.5 5 1.5 8-.5c3 2 5 2 8 .5", "M8 21.5c2.5-1 3-4 3-9M16 21.5c-2.5-1-3-4-3-9", "M3 21.5h18"],
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
