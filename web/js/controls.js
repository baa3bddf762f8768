// Who holds the controls, and how they change hands.

import { attr, button, byId, keyed, text } from "./dom.js";
import { capital } from "./words.js";

/** @import { Snapshot } from "../protocol.d.ts" */
/** @import { Commands } from "./commands.js" */

export class Controls {
	#letGo = false;

	/** @param {Commands} commands */
	constructor(commands) {
		this.commands = commands;
		this.slot = byId("controls-refusal");
	}

	/** A phone takes the controls of a machine that nobody holds, unless it released them itself. @param {Snapshot} snap */
	takeIfFree(snap) {
		if (snap.holder === "" && !this.#letGo) this.commands.send({ type: "take" }, this.slot);
	}

	/** @param {Snapshot} snap @param {string} me this phone's name */
	show(snap, me) {
		const holding = snap.holder === me;
		const n = snap.onlookers - (holding ? 0 : 1);
		const one = n < 1 ? "No other phone is watching." : "One other phone is watching.";
		const others = n > 1 ? `${n} others are watching.` : one;
		const who = holding
			? `This phone (${me}) holds the controls.`
			: snap.holder === ""
				? `Nobody holds them. This is ${me}.`
				: `${capital(snap.holder)} holds the controls; this is ${me} and is watching. Anyone can disarm.`;
		text(byId("controls-words"), `${who} ${others}`);
		keyed(
			byId("controls-acts"),
			holding ? this.#holdersActs(snap) : [this.#onlookersAct(snap, me)],
			(a) => a.key,
			(a) => button({ onclick: a.act }, a.label),
			(node, a) => {
				text(node, a.label);
				attr(node, "data-act", a.key.split(" ")[0]);
			},
		);
	}

	/** @param {Snapshot} snap */
	#holdersActs(snap) {
		const give = snap.asking.map((id) => ({
			key: `give ${id}`,
			label: `Hand the controls to ${id}`,
			act: () => this.commands.send({ type: "give", to: id }, this.slot),
		}));
		return [...give, { key: "release", label: "Give up the controls", act: () => this.#release() }];
	}

	/** @param {Snapshot} snap @param {string} me */
	#onlookersAct(snap, me) {
		const act = () => this.#take();
		if (snap.asking.includes(me)) return { key: "asked", label: "Asked; waiting for the holder", act };
		return { key: "take", label: snap.holder === "" ? "Take the controls" : "Ask for the controls", act };
	}

	#take() {
		this.#letGo = false;
		return this.commands.send({ type: "take" }, this.slot);
	}

	#release() {
		this.#letGo = true;
		return this.commands.send({ type: "release" }, this.slot);
	}
}
