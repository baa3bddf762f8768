// Start: pair if need be, then keep the page in step with what the machine says.

import { byId, text } from "./dom.js";
import { Asks } from "./asks.js";
import { Desk } from "./desk.js";
import { Link, pair, paired } from "./link.js";
import { voice } from "./voice.js";

/** @import { Message } from "../protocol.d.ts" */

const pairing = byId("pairing");
const page = byId("page");
const code = /** @type {HTMLInputElement} */ (byId("pair-code"));
const pairNo = byId("pair-no");

const link = new Link({ message: hear, lost: () => lost(), unpaired: () => askToPair(true) });
const asks = new Asks(link, (refusal, from) => desk.placeFor(refusal, from), voice.say);
const desk = new Desk(asks);

/** What this connection has shown so far. @type {Extract<Message, { type: "snapshot" }> | null} */
let known = null;

/** @param {Message} message */
function hear(message) {
	if (message.type === "snapshot") {
		known = message;
		showPage();
		desk.show(known.snapshot, known.you);
	} else if (message.type === "changed") {
		if (!known) return;
		known = { ...known, snapshot: { ...known.snapshot, ...message.snapshot } };
		desk.show(known.snapshot, known.you);
	} else if (message.type === "refused") asks.refused(message.re, message.refusal);
	else if (message.type === "done") asks.done(message.re);
}

function lost() {
	known = null;
	asks.lost();
	desk.lost();
}

function showPage() {
	if (page.hidden) scrollTo(0, 0);
	pairing.hidden = true;
	page.hidden = false;
}

/** @param {boolean} again it was paired before, and the machine no longer knows it */
function askToPair(again) {
	page.hidden = true;
	pairing.hidden = false;
	document.documentElement.dataset.state = "start";
	delete document.documentElement.dataset.live;
	text(
		byId("pair-why"),
		again && desk.shown
			? "The machine does not know this phone any more. Pair it again with the code it shows now; the record is kept."
			: "This phone is not paired with the machine yet.",
	);
	code.focus();
}

/** @param {string} typed */
async function tryPair(typed) {
	const button = /** @type {HTMLButtonElement} */ (pairing.querySelector("button"));
	button.disabled = true;
	const why = await pair(typed);
	button.disabled = false;
	pairNo.hidden = why === "";
	text(pairNo, why);
	code.toggleAttribute("aria-invalid", why !== "");
	if (why !== "") {
		voice.say(why);
		code.select();
		return;
	}
	code.value = "";
	link.open();
}

byId("pair-form").addEventListener("submit", (e) => {
	e.preventDefault();
	const typed = code.value.replace(/\s/g, "");
	if (typed === "") code.focus();
	else tryPair(typed);
});

/** A code in the address, from the machine's QR code: used once and taken out of sight at once. */
function codeFromAddress() {
	const found = /^#code=([0-9A-Za-z]+)$/.exec(location.hash);
	if (!found) return "";
	history.replaceState(null, "", location.pathname + location.search);
	return found[1];
}

async function start() {
	const given = codeFromAddress();
	const known = await paired();
	if (known === "unpaired") {
		askToPair(false);
		if (given !== "") await tryPair(given);
		return;
	}
	showPage();
	if (known === "away") desk.lost();
	link.open();
}

start();
