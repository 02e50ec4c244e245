// Small things that are no secret, read without waiting.

export function noted(name) {
  try {
    return localStorage.getItem(name);
  } catch {
    return null; // the browser keeps nothing for this page
  }
}

export function note(name, text) {
  try {
    if (text === null) localStorage.removeItem(name);
    else localStorage.setItem(name, text);
  } catch {
    // it is read from the database then, or asked for again
  }
}
