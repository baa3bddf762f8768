// The camera's frame of a shot: where its picture is, and what it suggests.

import { sentence } from "./refusals.js";
import { verdictWord } from "./verdicts.js";

/** @import { FrameView, ShotView } from "../protocol.d.ts" */

/** The address of a shot's picture: the camera's frame, or else practice's; "" there is none. @param {ShotView} s */
export function pictureOf(s) {
	if (s.framed) return `/record/frames/${s.id}?${new URLSearchParams({ frame: s.camera?.name ?? "", of: s.camera?.version ?? "" })}`;
	return s.frame === "" ? "" : `/frames/${s.frame}`;
}

/** Where a shot's picture comes from, in a word or two. @param {ShotView} s */
export function markOf(s) {
	if (!s.framed) return "practice";
	return s.camera && s.camera.sure !== "certain" ? `${s.camera.sure}?` : "frame";
}

/** What is seen in a shot's picture, "" nothing is known. @param {ShotView} s */
export function seenWords(s) {
	if (!s.framed) return sentence(s.seen);
	const f = s.camera;
	if (!f) return "";
	const sure = f.settled ? "as you said" : f.sure;
	return [suggestionWords(f), `Frame ${f.name}, ${sure}.`].filter(Boolean).join(" ");
}

/** What a frame suggests, "" nothing. @param {Pick<FrameView, "verdict" | "says" | "next">} f */
export function suggestionWords(f) {
	const parts = [];
	if (f.verdict !== "") parts.push(`Suggested: ${verdictWord(f.verdict).toLowerCase()}.`);
	if (f.says.length > 0) parts.push(sentence(f.says.join("; ")));
	if (f.next.length > 0) parts.push(sentence(f.next.join("; ")));
	return parts.join(" ");
}
