// What this browser keeps over a reload. Where storage is disabled, the page works without it.

/** @param {string} name @returns {string | null} */
export function kept(name) {
	try {
		return sessionStorage.getItem(name);
	} catch {
		return null;
	}
}

/** @param {string} name @param {string} value */
export function keep(name, value) {
	try {
		sessionStorage.setItem(name, value);
	} catch {
		// forbidden, or full
	}
}

/** What this browser keeps for other evenings. @param {string} name @returns {string | null} */
export function remembered(name) {
	try {
		return localStorage.getItem(name);
	} catch {
		return null;
	}
}

/** @param {string} name @param {string} value */
export function remember(name, value) {
	try {
		localStorage.setItem(name, value);
	} catch {
		// forbidden, or full
	}
}

/** Folds stay as they were left. @param {Element} root */
export function keepFolds(root) {
	const open = new Set((kept("folds") ?? "").split(" "));
	for (const fold of root.querySelectorAll("details[id]")) {
		const details = /** @type {HTMLDetailsElement} */ (fold);
		details.open = open.has(details.id);
		details.addEventListener("toggle", () => {
			if (details.open) open.add(details.id);
			else open.delete(details.id);
			keep("folds", [...open].join(" "));
		});
	}
}
