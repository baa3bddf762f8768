// The place Look back is loaded when it comes into view for the first time.

import { byId, el, text } from "./dom.js";
import { styled } from "./styles.js";

/** @import { Snapshot } from "../protocol.d.ts" */
/** @import { Commands } from "./commands.js" */
/** @import { Place } from "./lookback/place.js" */

export class LookBack {
	/** @type {Promise<void> | null} */ #loading = null;
	/** @type {Place | null} */ #place = null;
	/** @type {{ snap: Snapshot, me: string } | null} */ #latest = null;

	/** @param {Commands} commands */
	constructor(commands) {
		this.commands = commands;
		this.node = byId("lookback");
		this.wait = el("p", { role: "status" });
		this.node.append(this.wait);
		new IntersectionObserver((entries) => {
			if (entries[entries.length - 1].isIntersecting) this.#opened();
		}).observe(this.node);
	}

	/** @param {Snapshot} snap @param {string} me this phone's name */
	show(snap, me) {
		this.#latest = { snap, me };
		this.#place?.show(snap, me);
	}

	/** The connection dropped. */
	lost() {
		this.#latest = null;
		this.#place?.lost();
	}

	/** It is in view now, for the first time or again. */
	async #opened() {
		if (!this.#place) text(this.wait, "One moment.");
		try {
			await (this.#loading ??= this.#load());
			text(this.wait, "");
		} catch {
			this.#loading = null;
			text(this.wait, "This part of the page could not be loaded. Open it again when the machine answers.");
		}
		this.#place?.opened();
	}

	async #load() {
		const [{ Place }] = await Promise.all([import("./lookback/place.js"), styled("lookback.css")]);
		this.#place = new Place(this.node, this.commands);
		if (this.#latest) this.#place.show(this.#latest.snap, this.#latest.me);
		else this.#place.lost();
	}
}
