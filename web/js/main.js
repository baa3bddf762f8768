// Start: pair if needed, then show the machine's messages.

import { byId } from "./dom.js";
import { Commands } from "./commands.js";
import { Link, paired } from "./link.js";
import { Page } from "./page.js";
import { PairScreen } from "./pairing.js";
import { voice } from "./voice.js";

/** @import { Message } from "../protocol.d.ts" */

const link = new Link({ message: handleMessage, lost: () => lost(), unpaired: () => showPairing(true) });
const pairing = new PairScreen(() => link.open());
const commands = new Commands(link, (refusal, from) => page.placeFor(refusal, from), voice.say);
const page = new Page(commands);

/** The latest snapshot of this connection. @type {Extract<Message, { type: "snapshot" }> | null} */
let latest = null;

/** @param {Message} message */
function handleMessage(message) {
	if (message.type === "snapshot") {
		latest = message;
		if (document.hidden) sendHidden();
		showPage();
		page.show(latest.snapshot, latest.you);
	} else if (message.type === "changed") {
		if (!latest) return;
		latest = { ...latest, snapshot: { ...latest.snapshot, ...message.snapshot } };
		page.show(latest.snapshot, latest.you);
	} else if (message.type === "refused") commands.refused(message.re, message.refusal);
	else if (message.type === "done") commands.done(message.re);
}

/** On a phone that is locked or shows something else nobody can disarm: the machine takes it for gone. */
function sendHidden() {
	link.send({ type: "page", hidden: document.hidden });
}
document.addEventListener("visibilitychange", sendHidden);

function lost() {
	latest = null;
	commands.lost();
	page.lost();
}

function showPage() {
	pairing.hide();
	byId("page").hidden = false;
}

/** @param {boolean} again it was paired before, and the machine no longer knows it */
function showPairing(again) {
	byId("page").hidden = true;
	document.documentElement.dataset.state = "start";
	delete document.documentElement.dataset.live;
	pairing.show(
		again && page.shown
			? "The machine does not know this phone any more. Pair it again with the code it shows now; the record is kept."
			: "This phone is not paired with the machine yet.",
	);
}

/** A code in the address, from the machine's QR code: used once and removed from the address at once. */
function codeFromAddress() {
	const found = /^#code=([0-9A-Za-z-]+)$/.exec(location.hash);
	if (!found) return "";
	history.replaceState(null, "", location.pathname + location.search);
	return found[1];
}

/** Another invitation was opened in a page that is open already. */
addEventListener("hashchange", () => {
	const given = codeFromAddress();
	if (given !== "" && !byId("pairing").hidden) pairing.pair(given);
});

async function start() {
	const given = codeFromAddress();
	const { state, radio } = await paired();
	if (radio) import("./radio.js").then(({ Radio }) => page.add(new Radio()));
	if (state === "unpaired") {
		showPairing(false);
		if (given !== "") await pairing.pair(given);
		return;
	}
	showPage();
	if (state === "away") page.lost();
	link.open();
}

start();
