// Practice: the mark that says whether this is practice or the real thing, and the choice of a room.

import { attr, button, byId, el, text } from "./dom.js";

/** @import { Snapshot } from "../protocol.d.ts" */
/** @import { Commands } from "./commands.js" */

export class Practice {
	#rooms = "";

	/** @param {Commands} commands */
	constructor(commands) {
		this.commands = commands;
		this.list = byId("practice-rooms");
	}

	/** @param {Snapshot} snap */
	show(snap) {
		const room = snap.room;
		attr(document.documentElement, "data-practice", room ? "yes" : "no");
		text(byId("mark-word"), room ? "Practice" : "Real");
		text(byId("mark-means"), room ? ": a simulated room, nothing real fires" : ": camera, flash and valves are switched");
		const rooms = room?.rooms ?? [];
		byId("practice").hidden = rooms.length === 0;
		if (!room) return;
		const made = JSON.stringify(rooms);
		if (made !== this.#rooms) {
			this.#rooms = made;
			this.list.replaceChildren(...rooms.map((r) =>
				button({ "data-room": r.value, onclick: () => this.#enter(r.value) }, el("b", {}, r.label.replace(/\.$/, "")), el("span", {}, r.hint ?? ""))));
		}
		for (const b of this.list.children) attr(b, "aria-pressed", `${b.getAttribute("data-room") === room.in}`);
	}

	/** @param {string} name */
	#enter(name) {
		this.commands.send({ type: "enter", name }, byId("practice-refusal"));
	}
}
