// Leads to a field of the set, whatever it is folded in.

import { byId } from "../dom.js";

/** @import { Page } from "../page.js" */

/** @param {Page} page @param {string} name of the field */
export async function lead(page, name) {
	const find = () => page.fields.find((f) => f.name === name);
	if (!find()) await page.studio.load();
	const field = find();
	page.places.open(field && page.shoot.fields.some((f) => f === field) ? "shoot" : "setup");
	for (let at = field?.node.parentElement; at; at = at.parentElement) {
		if (at instanceof HTMLDetailsElement) at.open = true;
	}
	(field?.node.isConnected ? field.node : byId("set")).scrollIntoView({ block: "center" });
	const input = field?.node.querySelector("input, select");
	if (input instanceof HTMLElement) input.focus({ preventScroll: true });
}
