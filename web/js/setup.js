// The place Set up: what flies, the set from the side with its distances, camera and flash, the session.

import { attr, button, byId, el, text } from "./dom.js";
import { Elevation } from "./drawings/elevation.js";
import { choiceField, quantityField, showWhen, textField } from "./fields.js";
import { icon } from "./icons.js";
import { clocks, columns, exposures, light, measured, sameLiquid, seldom, sheets, shownWhen, shutters, wanted } from "./set.js";
import { sessionWords } from "./words.js";

/** @import { Kind, Snapshot } from "../protocol.d.ts" */
/** @import { Commands } from "./commands.js" */
/** @import { Field } from "./fields.js" */

/** @type {{ kind: Kind, word: string }[]} */
const kinds = [
	{ kind: "drop", word: "Falling drop" },
	{ kind: "throw", word: "Thrown sheet" },
	{ kind: "sound", word: "A sound" },
	{ kind: "drops", word: "Drops by valve" },
];

export class SetUp {
	#placed = "";

	/** @param {Commands} commands */
	constructor(commands) {
		this.commands = commands;
		/** @type {Record<Kind, Field[]>} */
		this.measured = {
			drop: [
				...measured.drop.map((q) => quantityField(q, commands)),
				choiceField("drop.liquid", (s) => s.liquids, commands),
				choiceField("drop.pool_liquid", (s) => [sameLiquid, ...s.liquids], commands),
				choiceField("drop.phase", (s) => s.phases, commands),
			],
			throw: measured.throw.map((q) => quantityField(q, commands)),
			sound: measured.sound.map((q) => quantityField(q, commands)),
			drops: this.#dropsFields(commands),
		};
		this.light = [
			choiceField("light.expose", () => exposures, commands),
			choiceField("light.shutter", () => shutters, commands),
			...light.map((q) => quantityField(q, commands)),
		];
		/** @type {Field[]} */
		this.fields = [...this.light, ...Object.values(this.measured).flat()];
		this.elevation = new Elevation(byId("elevation"), () => this.fields);
		byId("light-fields").append(...this.light.map((f) => f.node));
		byId("kinds").append(...kinds.map((k) => this.#kindButton(k)));
		byId("better-use").addEventListener("click", () => commands.send({ type: "places" }, byId("better-refusal")));
		byId("session-form").addEventListener("submit", (e) => this.#newSession(e));
	}

	/** What is wanted first, then how it is arranged. @param {Commands} commands @returns {Field[]} */
	#dropsFields(commands) {
		const fields = [
			choiceField("drops.want", () => wanted, commands),
			choiceField("drops.phase", (s) => s.phases, commands),
			choiceField("drops.column", () => columns, commands),
			choiceField("drops.sheet", () => sheets, commands),
			choiceField("drops.from", () => clocks, commands),
			...measured.drops.map((q) => quantityField(q, commands)),
			textField("drops.weighed", "such as 20 drops 1.4 g at 19 ms; several with ; between them", commands),
			choiceField("drops.liquid", (s) => s.liquids, commands),
			choiceField("drops.pool_liquid", (s) => [sameLiquid, ...s.liquids], commands),
		];
		return fields.map((f) => (shownWhen[f.name] ? showWhen(f, shownWhen[f.name]) : f));
	}

	/** @param {Snapshot} snap */
	show(snap) {
		for (const b of byId("kinds").children) {
			attr(b, "aria-pressed", `${b.getAttribute("data-kind") === snap.set.kind}`);
		}
		for (const f of this.fields) f.update(snap);
		this.elevation.show(snap);
		byId("better").hidden = (snap.preview?.places ?? "") === "";
		text(byId("better-words"), snap.preview?.places ?? "");
		this.#placeFields(snap.set.kind);
		text(byId("session-words"), sessionWords(snap));
	}

	/** What is typed in the drawing is folded below it, for those who like lists. @param {Kind} kind */
	#placeFields(kind) {
		const drawn = this.elevation.names;
		const key = `${kind} ${drawn.join()}`;
		if (key === this.#placed) return;
		this.#placed = key;
		this.elevation.close(false);
		const fields = this.measured[kind] ?? [];
		const listed = fields.filter((f) => drawn.includes(f.name));
		byId("set-list").replaceChildren(...listed.map((f) => f.node));
		const rest = fields.filter((f) => !drawn.includes(f.name));
		byId("set-fields").replaceChildren(...rest.filter((f) => !seldom.has(f.name)).map((f) => f.node));
		byId("set-seldom-fields").replaceChildren(...rest.filter((f) => seldom.has(f.name)).map((f) => f.node));
		byId("set-seldom").hidden = !rest.some((f) => seldom.has(f.name));
		byId("set-fields").dataset.kind = kind;
		byId("set-fold").hidden = listed.length === 0;
	}

	/** @param {{ kind: Kind, word: string }} k */
	#kindButton({ kind, word }) {
		const choose = () => this.commands.send({ type: "set", field: "kind", value: kind }, byId("kinds-refusal"));
		return button({ "data-kind": kind, onclick: choose }, icon(kind), el("span", {}, word));
	}

	/** @param {Event} e */
	#newSession(e) {
		e.preventDefault();
		const input = /** @type {HTMLInputElement} */ (byId("session-name"));
		this.commands.send({ type: "session", name: input.value.trim() }, byId("session-refusal"), (refusal) => {
			if (!refusal) input.value = "";
		});
	}
}
