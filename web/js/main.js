// Start: pair if need be, then keep the page in step with what the machine says.

import { byId } from "./dom.js";
import { Asks } from "./asks.js";
import { Desk } from "./desk.js";
import { Link, paired } from "./link.js";
import { PairScreen } from "./pairing.js";
import { voice } from "./voice.js";

/** @import { Message } from "../protocol.d.ts" */

const page = byId("page");

const link = new Link({ message: hear, lost: () => lost(), unpaired: () => askToPair(true) });
const pairing = new PairScreen(() => link.open());
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
	pairing.hide();
	page.hidden = false;
}

/** @param {boolean} again it was paired before, and the machine no longer knows it */
function askToPair(again) {
	page.hidden = true;
	document.documentElement.dataset.state = "start";
	delete document.documentElement.dataset.live;
	pairing.show(
		again && desk.shown
			? "The machine does not know this phone any more. Pair it again with the code it shows now; the record is kept."
			: "This phone is not paired with the machine yet.",
	);
}

/** A code in the address, from the machine's QR code: used once and taken out of sight at once. */
function codeFromAddress() {
	const found = /^#code=([0-9A-Za-z-]+)$/.exec(location.hash);
	if (!found) return "";
	history.replaceState(null, "", location.pathname + location.search);
	return found[1];
}

async function start() {
	const given = codeFromAddress();
	const { state } = await paired();
	if (state === "unpaired") {
		askToPair(false);
		if (given !== "") await pairing.pair(given);
		return;
	}
	showPage();
	if (state === "away") desk.lost();
	link.open();
}

start();
