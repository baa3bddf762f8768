// Each state as a picture: a water line and what happens to it.

import { drawIcon } from "../icons.js";

/** What stands over and on the water line in each state. @type {Record<string, string[]>} */
const scenes = {
	safe: ["M34 2v9M46 2v9M34 11h12", "M4 44h72", "M14 53h52", "M26 62h28"],
	armed: [
		"M34 2v7M46 2v7",
		"fill:M40 7c6 8 8 11 8 15a8 8 0 0 1-16 0c0-4 2-7 8-15z",
		"M22 30l-7 5M58 30l7 5",
		"M4 44h72",
		"M14 53h52",
		"M26 62h28",
	],
	firing: [
		"M4 48h16M60 48h16",
		"M20 48c0-10-2-16-6-22M60 48c0-10 2-16 6-22",
		"M30 46c-1-14-2-22-4-30M50 46c1-14 2-22 4-30",
		"M40 46V14",
		"M24 57h32",
	],
	resting: [
		"M34 2v9M46 2v9M34 11h12",
		"M4 44h24M52 44h24",
		"M28 44c4-6 8-6 12 0s8 6 12 0",
		"M12 53c8-5 14-5 28 0s20 5 28 0",
		"M24 62c6-3 10-3 16 0s10 3 16 0",
	],
	fault: ["M40 8L10 62h60z", "M40 26v18", "M40 51v3"],
	lost: ["M34 2v9M46 2v9M34 11h12", "M4 44h22M54 44h22", "M32 34l-6 18M54 34l-6 18", "M14 58h12M54 58h12"],
};

/** The state as a picture. @param {string} state */
export const scene = (state) => drawIcon(scenes[state] ?? scenes.armed, "0 0 80 68", "scene", { "data-scene": state });
