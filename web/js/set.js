// The fields of the set: names, labels, units and steps.

/** @import { Choice, DropsSet, Kind, Set } from "../protocol.d.ts" */

/**
 * @typedef {object} Quantity
 * @property {string} name the set's field, as in a command
 * @property {string} label
 * @property {string} unit as sent
 * @property {number} step
 * @property {string} [hint]
 */

/** @type {(name: string, label: string, unit: string, step: number, hint?: string) => Quantity} */
const q = (name, label, unit, step, hint) => ({ name, label, unit, step, hint });

const slit = [
	q("beam.slit", "Slit of the beam", "mm", 0.5, "along the fall or throw"),
	q("beam.width", "Slit across it", "mm", 0.5),
];

/** @type {Record<Kind, Quantity[]>} */
export const measured = {
	drop: [
		q("drop.height", "Nozzle tip to water", "cm", 1),
		q("drop.beam", "Nozzle tip to beam", "cm", 0.5),
		q("drop.nozzle", "Nozzle, outer width", "mm", 0.1),
		q("drop.diameter", "Drop, if you measured it", "mm", 0.1, "0: worked out from the nozzle"),
		q("drop.pool_depth", "Depth of the pool", "cm", 0.5),
		q("drop.nth", "Which drop of a train", "", 1, "1 is the first through the beam"),
		...slit,
	],
	throw: [
		q("throw.gate", "First beam to second", "cm", 1, "along the path"),
		q("throw.to_focus", "Second beam to focus spot", "cm", 5, "level distance"),
		q("throw.angle", "Angle at the second beam", "deg", 1, "above level; below is negative"),
		q("throw.above_floor", "Second beam above floor", "cm", 5),
		q("throw.mass", "Size of the thrown liquid", "cm", 0.5, "width of a ball of the same volume"),
		q("throw.thickness", "Thickness of the sheet", "mm", 1, "0: it stays a ball"),
		q("throw.beam_height", "Height of the beams' light", "mm", 1, "0: 3 mm assumed; from 12 mm on droplets ahead do not break it"),
		q("throw.edge", "Ragged edge, measured", "mm", 0.5, "0: 3 mm assumed; five throws of a dry run measure it"),
		...slit,
		q("throw.speed_low", "Slowest throw accepted", "m/s", 0.5),
		q("throw.speed_high", "Fastest throw accepted", "m/s", 0.5),
	],
	sound: [
		q("sound.distance", "Sound to microphone", "cm", 10),
		q("sound.temperature", "Air temperature", "C", 1),
		q("sound.after", "Moment after the sound", "ms", 1),
	],
	drops: [
		q("drops.height", "Tip to water", "cm", 1),
		q("drops.beam", "Tip to beam", "cm", 0.5),
		...slit,
		q("drops.tip", "Tip, outer width", "mm", 0.1),
		q("drops.pool_depth", "Depth of the pool", "cm", 0.5),
		q("drops.count", "Drops per shot", "", 1, "1 to 3"),
		q("drops.first.open", "First opening", "ms", 1),
		q("drops.first.valve", "Valve of the first drop", "", 1, "1 is the first in the configuration"),
		q("drops.second.open", "Second opening", "ms", 1),
		q("drops.second.valve", "Valve of the second drop", "", 1),
		q("drops.second.gap", "First opening to second", "ms", 1, "start to start; 0: worked out for a collision"),
		q("drops.third.open", "Third opening", "ms", 1),
		q("drops.third.valve", "Valve of the third drop", "", 1),
		q("drops.third.gap", "Second opening to third", "ms", 1, "start to start"),
		q("drops.meet", "Collision above the water", "mm", 1),
		q("drops.column_height", "Column, if you measured it", "mm", 1, "of the first drop alone; 0: estimated"),
		q("drops.column_time", "Column highest, if you measured it", "ms", 5, "after contact; 0: estimated"),
		q("drops.bore", "Narrowest bore of the valve", "mm", 0.1),
		q("drops.head", "Tip up to the liquid's level", "cm", 1, "or to the lower end of its air tube"),
		q("drops.discharge", "Discharge coefficient", "", 0.05, "0.6: a sharp edge; 0.8: a short tube"),
		q("drops.opens", "Valve opens after", "ms", 1, "from switching on"),
		q("drops.closes", "Valve closes after", "ms", 1, "from switching off"),
	],
};

/** Fields of drops on command that are set once and then left: folded. */
export const seldom = new Set([
	"drops.first.valve", "drops.second.valve", "drops.third.valve", "drops.tip", "drops.bore", "drops.head",
	"beam.slit", "beam.width", "drops.discharge", "drops.opens", "drops.closes", "drops.weighed", "drops.pool_depth", "drops.pool_liquid",
]);

/** Fields of drops on command that have no part in some sets: when they have. @type {Record<string, (d: DropsSet) => boolean>} */
export const shownWhen = {
	"drops.beam": (d) => d.from === "beam",
	"drops.second.open": (d) => d.count > 1,
	"drops.second.valve": (d) => d.count > 1,
	"drops.second.gap": (d) => d.count > 1,
	"drops.third.open": (d) => d.count > 2,
	"drops.third.valve": (d) => d.count > 2,
	"drops.third.gap": (d) => d.count > 2,
	"drops.phase": (d) => d.want === "phase",
	"drops.meet": (d) => d.want === "collision",
	"drops.column": (d) => d.want === "collision",
	"drops.column_height": (d) => d.want === "collision",
	"drops.column_time": (d) => d.want === "collision",
	"drops.sheet": (d) => d.want === "collision",
	"drops.bore": (d) => d.weighed === "",
	"drops.head": (d) => d.weighed === "",
	"drops.discharge": (d) => d.weighed === "",
};

/** @type {Quantity[]} */
export const light = [
	q("light.lag", "Camera's lag", "ms", 1, "from release to open"),
	q("light.lag_scatter", "Scatter of the lag", "ms", 0.5, "standard deviation"),
	q("light.open_for", "Shutter held open", "ms", 50),
	q("light.recycle", "Flash ready again after", "s", 0.5),
];

const trim = (/** @type {Kind} */ kind) => q(`trim.${kind}`, "Trim of the delay", "ms", 1);

/** What is added to the gap that is worked out. */
export const gapTrim = q("drops.gap_trim", "Trim of the gap", "ms", 1, "moves the collision up or down");

/** What is added to the delay: each kind has its own. @type {Record<Kind, Quantity>} */
export const trims = { drop: trim("drop"), throw: trim("throw"), sound: trim("sound"), drops: trim("drops") };

/** @type {Choice[]} */
export const exposures = [
	{ value: "flash-in-dark", label: "Flash in the dark, shutter open" },
	{ value: "lag-led", label: "Lag-led: sync fires the flash" },
];

/** @type {Choice[]} */
export const shutters = [
	{ value: "auto", label: "Automatic: after the edge, or at Go" },
	{ value: "edge", label: "The machine, after the edge" },
	{ value: "go", label: "The machine, when I press" },
	{ value: "hand", label: "I do, by hand" },
];

/** @type {Choice[]} */
export const wanted = [
	{ value: "collision", label: "A drop on another's column" },
	{ value: "phase", label: "A phase of the last drop" },
];

/** @type {Choice[]} */
export const clocks = [
	{ value: "beam", label: "The drop at the beam" },
	{ value: "valve", label: "The valve alone, no beam" },
];

/** @type {Choice[]} */
export const columns = [
	{ value: "rising", label: "As it rises" },
	{ value: "sinking", label: "As it sinks" },
];

/** @type {Choice[]} */
export const sheets = [
	{ value: "contact", label: "Drop and column touch" },
	{ value: "opening", label: "The sheet opens" },
	{ value: "widest", label: "The sheet is widest" },
];

/** The pool's liquid if it is the drop's. @type {Choice} */
export const sameLiquid = { value: "same", label: "As the drop" };

/** The fields that are chosen from a list, and their labels. @type {Record<string, string>} */
export const chosen = {
	"drop.liquid": "Liquid",
	"drop.phase": "Phase wanted",
	"drops.want": "Wanted",
	"drops.phase": "Phase of the last drop",
	"drops.column": "Column met",
	"drops.sheet": "Moment of the collision",
	"drops.from": "What starts the delay",
	"drops.liquid": "Liquid",
	"drops.pool_liquid": "Liquid of the pool",
	"drops.weighed": "Weighed on a scale",
	"drop.pool_liquid": "Liquid of the pool",
	"light.expose": "Exposure",
	"light.shutter": "Who opens the shutter",
	"flash.power": "Power of the flash",
	"camera.max_blur": "Refuse more blur than",
};

/** What flies past the camera. @type {Record<Kind, string>} */
export const kindWords = { drop: "Falling drop", throw: "Thrown sheet", sound: "A sound", drops: "Drops by valve" };

/** A field's label. @param {string} field */
export function fieldText(field) {
	const quantity = [...Object.values(measured).flat(), gapTrim, ...light, ...Object.values(trims)].find((q) => q.name === field);
	return quantity?.label ?? chosen[field] ?? (field === "kind" ? "What flies" : field);
}

/** Whether a field's label is known: those of camera, lights and room are loaded when one is needed. @param {string} field */
export const named = (field) => fieldText(field) !== field;
export const loadNames = () => import("./studio/labels.js");

/** What may be chosen in the fields whose names are loaded. @type {Record<string, Choice[]>} */
export const offered = {};

/** A field's value as it is chosen, or as it is printed. @param {string} field @param {string} value */
export function valueText(field, value) {
	if (field === "kind") return kindWords[/** @type {Kind} */ (value)] ?? value;
	return [...(offered[field] ?? []), ...exposures, ...shutters, ...wanted, ...clocks, ...columns, ...sheets, sameLiquid].find((c) => c.value === value)?.label ?? value;
}

/** One change of the set, in words. @param {string} field @param {string} value */
export const changeText = (field, value) => `${fieldText(field)}: ${valueText(field, value)}`;

/** Whether the gap between the first two openings is worked out, so that it has a trim. @param {Set} set */
export const worksOutGap = (set) =>
	set.kind === "drops" && set.drops.want === "collision" && Number.parseFloat(set.drops.second.gap) === 0;

/** A set's field by its dotted name. @param {Set} set @param {string} name */
export function valueOf(set, name) {
	/** @type {any} */
	let at = set;
	for (const part of name.split(".")) at = at?.[part];
	return at === undefined || at === null ? "" : String(at);
}
