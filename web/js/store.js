// What this browser keeps over a reload. Where storage is disabled, the page works without it.

/** Until the page is closed. @param {string} name */
export const tabItem = (name) => read(() => sessionStorage, name);
/** @param {string} name @param {string} value */
export const setTabItem = (name, value) => write(() => sessionStorage, name, value);

/** For other evenings. @param {string} name */
export const deviceItem = (name) => read(() => localStorage, name);
/** @param {string} name @param {string} value */
export const setDeviceItem = (name, value) => write(() => localStorage, name, value);

/** @param {() => Storage} storage even to ask for it may be forbidden @param {string} name */
function read(storage, name) {
	try {
		return storage().getItem(name);
	} catch {
		return null;
	}
}

/** @param {() => Storage} storage @param {string} name @param {string} value */
function write(storage, name, value) {
	try {
		storage().setItem(name, value);
	} catch {
		// forbidden, or full
	}
}

/** Folds stay as they were left. @param {Element} root */
export function keepFolds(root) {
	const open = new Set((tabItem("folds") ?? "").split(" "));
	for (const fold of root.querySelectorAll("details[id]")) {
		const details = /** @type {HTMLDetailsElement} */ (fold);
		details.open = open.has(details.id);
		details.addEventListener("toggle", () => {
			if (details.open) open.add(details.id);
			else open.delete(details.id);
			setTabItem("folds", [...open].join(" "));
		});
	}
}
