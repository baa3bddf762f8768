// Each state as a picture of what is shot: a drop over water, a throw past two beams, a sound at a microphone.

import { drawIcon } from "../icons.js";

/** @import { Kind } from "../../protocol.d.ts" */

const nozzle = ["M34 2v9M46 2v9M34 11h12"];
const water = ["M4 44h72", "M14 53h52", "M26 62h28"];
const beams = ["M12 14v40M26 14v40", "M4 62h72"];
const spot = ["M52 20h-4v5M66 20h4v5M52 42h-4v-5M66 42h4v-5"];
const microphone = [
	"M40 8a7 7 0 0 1 7 7v11a7 7 0 0 1-14 0V15a7 7 0 0 1 7-7z",
	"M26 26a14 14 0 0 0 28 0",
	"M40 40v18M28 58h24",
];
const drops = ["fill:M38 58a2.5 2.5 0 1 0 5 0a2.5 2.5 0 1 0-5 0z", "fill:M56 58a2.5 2.5 0 1 0 5 0a2.5 2.5 0 1 0-5 0z"];

/** Drops on command: the second one above the first one's column, and the sheet where they met. */
const column = ["M34 44c4-2 4-8 4-14M46 44c-4-2-4-8-4-14"];
const second = "fill:M40 10c3.5 4.5 4.5 6.5 4.5 9a4.5 4.5 0 0 1-9 0c0-2.5 1-4.5 4.5-9z";

/** What stands there and what happens to it, in each state. @type {Record<Kind, Record<string, string[]>>} */
const scenes = {
	drop: {
		safe: [...nozzle, ...water],
		armed: [
			"M34 2v7M46 2v7",
			"fill:M40 7c6 8 8 11 8 15a8 8 0 0 1-16 0c0-4 2-7 8-15z",
			"M22 30l-7 5M58 30l7 5",
			...water,
		],
		firing: [
			"M4 48h16M60 48h16",
			"M20 48c0-10-2-16-6-22M60 48c0-10 2-16 6-22",
			"M30 46c-1-14-2-22-4-30M50 46c1-14 2-22 4-30",
			"M40 46V14",
			"M24 57h32",
		],
		resting: [
			...nozzle,
			"M4 44h24M52 44h24",
			"M28 44c4-6 8-6 12 0s8 6 12 0",
			"M12 53c8-5 14-5 28 0s20 5 28 0",
			"M24 62c6-3 10-3 16 0s10 3 16 0",
		],
	},
	drops: {
		safe: [...nozzle, "M26 3h28M40 3v8", ...water],
		armed: ["M34 2v5M46 2v5", second, "M22 20l-7 5M58 20l7 5", ...column, ...water],
		firing: ["M14 22c8 6 18 6 26 2c8 4 18 4 26-2", "M14 22l-5 3M66 22l5 3M26 26l-3 5M54 26l3 5", ...column, ...water],
		resting: [...nozzle, "M4 44h24M52 44h24", "M28 44c4-6 8-6 12 0s8 6 12 0", "M26 62h28"],
	},
	throw: {
		safe: [...beams, ...spot],
		armed: [...beams, ...spot, "M2 50c8 0 12-14 20-18", "M4 56c8-2 10-12 18-16"],
		firing: [...beams, ...spot, "M30 32c8-6 18-8 32-4", "M30 38c10-5 18-5 30-1", "M59 10v-6M70 12l4-5M48 12l-4-5"],
		resting: [...beams, ...spot, ...drops],
	},
	sound: {
		safe: microphone,
		armed: [...microphone, "M60 12c5 7 5 15 0 22M20 12c-5 7-5 15 0 22"],
		firing: [...microphone, "M60 12c5 7 5 15 0 22M20 12c-5 7-5 15 0 22", "M68 6c8 11 8 23 0 34M12 6c-8 11-8 23 0 34"],
		resting: [...microphone, "M60 22h6M14 22h6"],
	},
};

const fault = ["M40 8L10 62h60z", "M40 26v18", "M40 51v3"];
const lost = [...nozzle, "M4 44h22M54 44h22", "M32 34l-6 18M54 34l-6 18", "M14 58h12M54 58h12"];

/** The state as a picture of what is shot. @param {string} state @param {Kind} kind */
export function scene(state, kind) {
	const known = state === "arming" ? "armed" : state;
	const lines = state === "fault" ? fault : (scenes[kind]?.[known] ?? lost);
	return drawIcon(lines, "0 0 80 68", "scene", { "data-scene": state, "data-of": kind });
}
