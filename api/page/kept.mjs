// What this browser keeps by itself: IndexedDB, which scripts of other origins cannot read and
// which, unlike a cookie, goes along with no request.

const NAME = "bench";
let opened = null;

function database() {
  opened ??= new Promise((done, failed) => {
    const asked = indexedDB.open(NAME, 1);
    asked.onupgradeneeded = () => {
      asked.result.createObjectStore("things");
      asked.result.createObjectStore("outbox", { keyPath: "number", autoIncrement: true });
    };
    asked.onsuccess = () => done(asked.result);
    asked.onerror = () => failed(asked.error);
  });
  return opened;
}

async function act(store, mode, what) {
  const db = await database();
  return new Promise((done, failed) => {
    const transaction = db.transaction(store, mode, { durability: store === "outbox" ? "strict" : "relaxed" });
    const asked = what(transaction.objectStore(store));
    transaction.oncomplete = () => done(asked.result);
    transaction.onerror = transaction.onabort = () => failed(transaction.error);
  });
}

export const get = (name) => act("things", "readonly", (store) => store.get(name));
export const put = (name, value) => act("things", "readwrite", (store) => store.put(value, name));
export const drop = (name) => act("things", "readwrite", (store) => store.delete(name));

export const waiting = () => act("outbox", "readonly", (store) => store.getAll());
export const keep = (entry) => act("outbox", "readwrite", (store) => store.put(entry));
export const unkeep = (number) => act("outbox", "readwrite", (store) => store.delete(number));
