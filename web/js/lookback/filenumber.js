// The number in the name of a camera's file.

/** @import { Refusal } from "../../protocol.d.ts" */

/** As cameras write it. @param {number} file */
export const fileName = (file) => String(file).padStart(4, "0");

/** The number that was typed, 0 for nothing, null for what is not one. @param {string} typed */
export function fileNumber(typed) {
	const file = typed === "" ? 0 : Number(typed);
	return Number.isInteger(file) && file >= 0 ? file : null;
}

/** @param {string} typed @returns {Refusal} */
export const notAFile = (typed) => ({
	field: "file",
	why: `“${typed}” is not the number of a file.`,
	remedy: "Type the four digits of its name.",
});
