// What a dry run showed: its shots, how ragged the edge of a thrown sheet was, and a tap to use that for the set.

import { byId, el, keyed, text } from "./dom.js";

/** @import { Snapshot } from "../protocol.d.ts" */
/** @import { Commands } from "./commands.js" */

export class DryRun {
	#value = "";

	/** @param {Commands} commands */
	constructor(commands) {
		this.use = byId("dry-edge-use");
		this.use.addEventListener("click", () =>
			commands.send({ type: "set", field: "throw.edge", value: this.#value }, byId("dry-edge-refusal")),
		);
	}

	/** @param {Snapshot} snap */
	show(snap) {
		const shots = snap.dry_shots.map((s) => `Dry run ${s.number}: ${s.words}`);
		keyed(byId("arming-shots"), shots, (words) => words, (words) => el("li", {}, words));
		const edge = snap.dry_edge;
		this.#value = edge.value;
		byId("dry-edge").hidden = edge.throws === 0;
		text(byId("dry-edge"), edge.words);
		this.use.hidden = this.#value === "" || this.#value === snap.set.throw.edge;
		text(this.use, `Use ${this.#value} for this set`);
	}
}
