// Files of an evening with a problem, and what to do. They may be put out of sight on this phone.

import { button, el, text } from "../dom.js";
import { icon } from "../icons.js";
import { deviceItem, setDeviceItem } from "../store.js";
import { voice } from "../voice.js";

/** @import { CameraView } from "../../protocol.d.ts" */

export class Problems {
	/** What is out of sight. @type {Set<string>} */ #hidden;
	/** @type {string[]} */ #others = [];
	/** @type {CameraView | null} */ #view = null;

	/** @param {number} session */
	constructor(session) {
		this.item = `problems ${session}`;
		this.#hidden = new Set((deviceItem(this.item) ?? "").split("\n"));
		this.list = el("ul", { class: "advice", "aria-label": "Files with a problem" });
		this.others = el("ul", { class: "advice", "aria-label": "More files with a problem" });
		this.count = el("span", {});
		this.more = el("details", {}, el("summary", {}, icon("warn"), this.count), this.others);
		this.unread = el("p", { class: "hint" }, "A file that cannot be read may have been damaged on its way: choose it again to replace the copy.");
		this.hide = button({ class: "camera-hide", onclick: () => this.#toggle() });
		this.node = el("div", {}, this.list, this.more, this.unread, this.hide);
	}

	/** @param {string[]} others which are over by themselves @param {CameraView | null} view */
	show(others, view) {
		this.#others = others;
		this.#view = view;
		const files = view?.problems ?? [];
		const seen = files.filter((p) => !this.#hidden.has(p));
		// The first one counts most, as that nothing can be measured; a card full of others would push the frames away.
		const first = seen.length > 2 ? 1 : seen.length;
		const item = (/** @type {string} */ p) => el("li", {}, icon("warn"), p);
		const all = [...others, ...seen.slice(0, first)];
		this.list.replaceChildren(...all.map(item));
		this.list.hidden = all.length === 0;
		this.others.replaceChildren(...seen.slice(first).map(item));
		this.more.hidden = seen.length === first;
		text(this.count, `${seen.length - first} more files with a problem`);
		this.unread.hidden = !view?.damaged || seen.length === 0;
		this.hide.hidden = files.length === 0;
		const [which, it] = files.length === 1 ? ["1 hidden problem", "this problem"] : [`${files.length} hidden problems`, "these problems"];
		text(this.hide, seen.length === 0 ? `Show ${which}` : `Hide ${it} on this phone`);
	}

	/** A problem that comes later, or changes, is in sight again. */
	#toggle() {
		const files = this.#view?.problems ?? [];
		const hides = files.some((p) => !this.#hidden.has(p));
		this.#hidden = new Set(hides ? files : []);
		setDeviceItem(this.item, [...this.#hidden].join("\n"));
		this.show(this.#others, this.#view);
		voice.say(hides ? "Hidden." : "Shown.");
	}
}
