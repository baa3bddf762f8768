// The set seen from the side, as the machine draws it, and the distances in it: pressing one opens its field over the
// drawing.

import { attr, button, drawn, el, text } from "../dom.js";
import { valueOf } from "../set.js";

/** @import { Snapshot } from "../../protocol.d.ts" */
/** @import { Field } from "../fields.js" */

export class Elevation {
	/** @type {Element | null} */ #drawn = null;
	#svg = "";
	/**
	 * What is being changed, where its field came from, and its value when it was opened.
	 * @type {{ field: Field, home: Node, before: string, shown: string } | null}
	 */
	#open = null;
	/** @type {Snapshot | null} */ #snap = null;
	#confirmed = false;

	/**
	 * @param {HTMLElement} place
	 * @param {() => Field[]} fields
	 */
	constructor(place, fields) {
		this.place = place;
		this.fields = fields;
		this.why = el("p", { class: "hint" });
		const done = button({ class: "editor-done", onclick: () => this.close(true) }, "Done");
		this.editor = el("div", { class: "editor", role: "group", hidden: true }, this.why, done);
		this.editor.addEventListener("keydown", (e) => this.#key(e));
		place.append(this.editor);
		place.addEventListener("click", (e) => this.#press(e));
		place.addEventListener("keydown", (e) => {
			if (e.key === "Enter" || e.key === " ") this.#press(e);
		});
	}

	/** @param {Snapshot} snap */
	show(snap) {
		this.#snap = snap;
		if (snap.elevation !== this.#svg) this.#draw(snap.elevation);
		const open = this.#open;
		if (!open) return;
		const changed = valueOf(snap.set, open.field.name) !== open.before;
		if (!open.field.name.startsWith(`${snap.set.kind}.`)) this.close(false);
		else if (this.#confirmed && changed) this.close(true);
	}

	/** The fields that can be typed in the drawing. */
	get names() {
		return [...(this.#drawn?.querySelectorAll("[data-field]") ?? [])].map((g) => g.getAttribute("data-field") ?? "");
	}

	/** Whether the set can be changed. @param {boolean} able */
	enable(able) {
		for (const g of this.#drawn?.querySelectorAll("[data-field]") ?? []) attr(g, "aria-disabled", !able && "true");
	}

	/** @param {string} source */
	#draw(source) {
		this.#svg = source;
		const focus = document.activeElement?.getAttribute("data-field");
		const within = this.#drawn?.contains(document.activeElement) ?? false;
		this.#drawn?.remove();
		this.#drawn = drawn(source);
		if (this.#drawn) this.place.prepend(this.#drawn);
		if (this.#open) this.#put(this.#open.field.name);
		if (within && focus) this.#group(focus)?.focus({ preventScroll: true });
	}

	/** @param {string} name @returns {SVGElement | null | undefined} */
	#group(name) {
		return this.#drawn?.querySelector(`[data-field="${name}"]`);
	}

	/** @param {Event} e */
	#press(e) {
		const group = /** @type {Element} */ (e.target).closest("svg [data-field]");
		const field = this.fields().find((f) => f.name === group?.getAttribute("data-field"));
		if (!field || !this.#snap) return;
		e.preventDefault();
		this.close(false);
		const home = document.createComment("");
		const input = /** @type {HTMLInputElement} */ (field.node.querySelector("input"));
		field.node.replaceWith(home);
		this.#open = { field, home, before: valueOf(this.#snap.set, field.name), shown: input.value };
		this.editor.prepend(field.node);
		this.editor.hidden = false;
		attr(this.editor, "aria-label", group?.getAttribute("aria-label"));
		this.#put(field.name);
		text(this.why, input.disabled ? "Whoever holds the controls can change it." : "");
		input.focus();
		input.select();
	}

	/** Below the distance that it is for, or above one in the lower half. @param {string} name */
	#put(name) {
		for (const g of this.#drawn?.querySelectorAll("[data-field]") ?? []) {
			g.classList.toggle("editing", g.getAttribute("data-field") === name);
		}
		const hit = this.#group(name)?.querySelector(".hit")?.getBoundingClientRect();
		if (!hit) return;
		const room = this.place.getBoundingClientRect();
		const low = hit.top - room.top > room.height / 2;
		this.editor.style.top = low ? "auto" : `${hit.bottom - room.top + 8}px`;
		this.editor.style.bottom = low ? `${room.bottom - hit.top + 8}px` : "auto";
	}

	/** Enter closes it when the machine has taken the value, Escape at once. @param {KeyboardEvent} e */
	#key(e) {
		if (!(e.target instanceof HTMLInputElement)) return;
		this.#confirmed = e.key === "Enter";
		if (e.key === "Escape" || (this.#confirmed && e.target.value === this.#open?.shown)) this.close(true);
	}

	/** The field goes back where it was. @param {boolean} back whether the distance in the drawing gets the focus */
	close(back) {
		const open = this.#open;
		if (!open) return;
		this.#open = null;
		this.#confirmed = false;
		this.editor.hidden = true;
		if (open.home.parentNode) open.home.parentNode.replaceChild(open.field.node, open.home);
		else open.field.node.remove();
		const group = this.#group(open.field.name);
		for (const g of this.#drawn?.querySelectorAll(".editing") ?? []) g.classList.remove("editing");
		if (back) group?.focus({ preventScroll: true });
	}
}
