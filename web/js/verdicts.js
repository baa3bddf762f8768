// What a person says of a picture: verdicts, and what is wrong with it whatever it shows.

import { attr, button, el } from "./dom.js";
import { icon } from "./icons.js";

/** @import { Picture, Verdict } from "../protocol.d.ts" */

/** @type {{ verdict: Verdict, word: string, sign: string, aim?: boolean }[]} those with aim are for what is aimed: throws and collisions */
export const verdicts = [
	{ verdict: "early", word: "Early", sign: "early" },
	{ verdict: "good", word: "Good", sign: "good" },
	{ verdict: "late", word: "Late", sign: "late" },
	{ verdict: "too high", word: "Too high", sign: "high", aim: true },
	{ verdict: "nothing there", word: "Nothing there", sign: "nothing" },
	{ verdict: "too low", word: "Too low", sign: "low", aim: true },
];

/** @type {{ picture: Picture, word: string, sign: string }[]} */
export const pictures = [
	{ picture: "blurred", word: "Blurred", sign: "blurred" },
	{ picture: "black", word: "Black", sign: "black" },
];

/** A verdict in words; one that is not given is not judged. @param {Verdict} verdict */
export const verdictWord = (verdict) => verdicts.find((v) => v.verdict === verdict)?.word ?? "Not judged";

/** The verdicts that were given, those of a person first. @template {{ verdict: Verdict }} T @param {T[]} counts @returns {T[]} */
export const inOrder = (counts) => [...counts].sort((a, b) => Number(a.verdict === "") - Number(b.verdict === ""));

/** A verdict's sign, by name. @param {Verdict} verdict */
export const verdictSign = (verdict) => verdicts.find((v) => v.verdict === verdict)?.sign ?? "unjudged";

/** @param {Picture} picture */
export const pictureWord = (picture) => pictures.find((p) => p.picture === picture)?.word ?? "";

/**
 * Buttons for a verdict: pressing the one that is given takes it back. What is aimed has those of its aim, too.
 * @param {(verdict: Verdict) => void} say
 */
export function verdictButtons(say) {
	/** @type {Verdict} */
	let given = "";
	const node = el("div", { class: "verdicts", role: "group" });
	for (const v of verdicts) {
		const press = () => say(given === v.verdict ? "" : v.verdict);
		node.append(button({ "data-verdict": v.verdict, onclick: press }, icon(v.sign), el("span", {}, v.word)));
	}
	return {
		node,
		/**
		 * @param {Verdict} verdict
		 * @param {boolean} aimed
		 * @param {string} label
		 * @param {boolean} [settled] no other can be given, and this one only taken back
		 */
		show(verdict, aimed, label, settled = false) {
			given = verdict;
			attr(node, "aria-label", label);
			attr(node, "data-aimed", aimed);
			for (const b of /** @type {Iterable<HTMLElement>} */ (node.children)) {
				const v = verdicts.find((v) => v.verdict === b.dataset.verdict);
				attr(b, "aria-pressed", `${v?.verdict === verdict}`);
				const none = settled || (v?.aim && !aimed);
				b.hidden = Boolean(none) && v?.verdict !== verdict;
			}
		},
	};
}

/**
 * Buttons for what is wrong with the picture: pressing the one that is given takes it back.
 * @param {(picture: Picture) => void} say
 */
export function pictureButtons(say) {
	/** @type {Picture} */
	let given = "";
	const node = el("div", { class: "pictures", role: "group" });
	for (const p of pictures) {
		const press = () => say(given === p.picture ? "" : p.picture);
		node.append(button({ "data-picture": p.picture, onclick: press }, icon(p.sign), el("span", {}, p.word)));
	}
	return {
		node,
		/** @param {Picture} picture @param {string} label */
		show(picture, label) {
			given = picture;
			attr(node, "aria-label", label);
			for (const b of node.children) attr(b, "aria-pressed", `${b.getAttribute("data-picture") === picture}`);
		},
	};
}
