// What the fields of camera, flash, room and background are called, and how they are typed.

import { chosen, offered } from "../set.js";

/** @import { Choice } from "../../protocol.d.ts" */

/** Lengths, times and counts: label, unit, step, hint. @type {Record<string, [string, string, number, string?]>} */
export const quantities = {
	"camera.focal": ["Focal length", "mm", 5],
	"camera.distance": ["Lens to focus spot", "cm", 5, "from the middle of the lens"],
	"camera.nearest": ["Nearest focus of the lens", "cm", 1, "as engraved on it: from the sensor, not from the lens"],
	"camera.sensor": ["Width of the camera's sensor", "mm", 0.5, "as the camera is held"],
	"camera.sensor_height": ["Height of the camera's sensor", "mm", 0.5, "as the camera is held"],
	"camera.pixels": ["Pixels across", "", 500],
	"camera.turn": ["Lens turned from square", "deg", 5, "to the liquid's path"],
	"camera.print": ["Sharp on a print this wide", "cm", 5],
	"camera.max_blur": ["Refuse more blur than", "mm", 0.1, "at the liquid; 0: refuse nothing"],
	"camera.field_seen": ["Width on the ruler", "cm", 1, "0: not measured"],
	"flash.guide": ["Guide number", "m", 1, "metres at ISO 100, full power; 0: not known"],
	"flash.distance": ["Flash to focus spot", "cm", 5],
	"flash.units": ["Flashes like this", "", 1],
	"flash.duration": ["Lit at full power", "ms", 0.5, "0: not known"],
	"background.distance": ["Focus spot to background", "cm", 10],
	"background.width": ["Bright part, width", "cm", 10],
	"background.black_width": ["Black on each side, width", "cm", 10, "0: none"],
};

/** What is typed as it is written: label, hint. @type {Record<string, [string, string?]>} */
export const written = {
	"camera.aperture": ["Aperture"],
	"camera.widest": ["The lens's widest aperture", "like f/2.8"],
	"camera.narrowest": ["The lens's smallest aperture", "like f/22"],
	"camera.iso": ["Camera's speed"],
	"camera.shutter": ["Shutter on the dial", "B: as long as it is held"],
	"flash.power": ["Power"],
	"flash.loss": ["Light lost on the way", "stops; common practice: diffuser 1, umbrella 1 to 2, ceiling 2"],
	"flash.others": [
		"Flashes unlike the first",
		"guide number, power, distance, how long lit: 28 m, 1/16, 60 cm, 1/4000 s; more after a semicolon",
	],
	"flash.reading": ["Flash meter's reading", "none: no meter"],
	"flash.seen": ["White card in the histogram", "like 95 %"],
	"flash.smear": ["Blur seen", "in pixels; 0: it was sharp"],
	"flash.figures": ["The unit's own durations", "like 1/1 1/300 s, 1/16 1/4000 s"],
	"room.ev": ["Light meter at the focus spot", "EV at ISO 100, light that falls on it (incident)"],
	"room.frame_open": ["Shutter of the frame without flash", "like 1/8"],
	"room.frame_seen": ["Brightest part of that frame", "like 10 %; 0 %: all black"],
	"room.margin": ["Room below the flash by", "in stops"],
	"background.reading": ["Flash meter at the background", "none: no meter"],
	"background.reflects": ["The background reflects", "like 90 %"],
	"background.seen": ["Background in the histogram", "like 80 %"],
	"background.rim": ["Dark edge, part of the radius", "like 10 %"],
};

/** What is chosen: label, and the choices. @type {Record<string, [string, Choice[]]>} */
export const choices = {
	"flash.control": [
		"Lower power is made by",
		[
			{ value: "cut-off", label: "Cutting the light off early" },
			{ value: "throttled", label: "A weaker discharge, whole" },
		],
	],
	"flash.measured": [
		"The durations are",
		[
			{ value: "t0.5", label: "t0.5, above half the peak" },
			{ value: "t0.1", label: "t0.1, above a tenth" },
		],
	],
	"room.by": [
		"How dark the room is",
		[
			{ value: "unknown", label: "Not checked yet" },
			{ value: "black-frame", label: "By a frame without flash" },
			{ value: "meter", label: "By a light meter" },
		],
	],
};

for (const [name, [label]] of Object.entries({ ...quantities, ...written, ...choices })) chosen[name] ??= label;
for (const [name, [, list]] of Object.entries(choices)) offered[name] = list;
