// The page's three places: set up, shoot, look back. One tap leads from one to another, and the bar with disarm stands
// under all of them. On a wide screen they stand side by side.

import { attr, byId } from "./dom.js";
import { SettlingArea } from "./press.js";
import { setTabItem, tabItem } from "./store.js";

/** @typedef {"setup" | "shoot" | "lookback"} Place */

/** @type {Place[]} */
const all = ["setup", "shoot", "lookback"];
const root = document.documentElement;

export class Places {
	#settling = new SettlingArea(byId("places"));
	#tabs = /** @type {HTMLButtonElement[]} */ ([...byId("tabs").querySelectorAll("button")]);

	/** @param {(place: Place) => void} opened called when a place has come into view */
	constructor(opened) {
		this.opened = opened;
		for (const tab of this.#tabs) {
			tab.addEventListener("click", () => this.open(placeOf(tab)));
			tab.addEventListener("keydown", (e) => this.#key(e, tab));
		}
		const before = all.find((p) => p === tabItem("place"));
		this.#show(before ?? "setup");
	}

	get current() {
		return /** @type {Place} */ (root.dataset.place);
	}

	/** @param {Place} place */
	open(place) {
		if (place === this.current) return;
		this.#show(place);
		setTabItem("place", place);
		this.opened(place);
	}

	/** Open a place though nobody has tapped its name: a finger on its way is not meant for what is there. @param {Place} place */
	lead(place) {
		if (place === this.current) return;
		this.#settling.changed();
		this.open(place);
	}

	/** @param {Place} place */
	#show(place) {
		root.dataset.place = place;
		for (const tab of this.#tabs) attr(tab, "aria-current", placeOf(tab) === place && "page");
	}

	/** Arrows lead along the tabs. @param {KeyboardEvent} e @param {HTMLButtonElement} tab */
	#key(e, tab) {
		const by = e.key === "ArrowRight" ? 1 : e.key === "ArrowLeft" ? -1 : 0;
		const next = this.#tabs[this.#tabs.indexOf(tab) + by];
		if (by === 0 || !next) return;
		e.preventDefault();
		next.focus();
		this.open(placeOf(next));
	}
}

/** @param {HTMLElement} tab */
const placeOf = (tab) => /** @type {Place} */ (tab.dataset.to);
