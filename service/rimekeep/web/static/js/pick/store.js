// What must outlive a reload, in the browser's own database: the list, where the picker stands in it, and what was
// said and not sent yet. A write has happened when its promise is kept.

let opened = null;

function open() {
  opened ??= new Promise((resolve, reject) => {
    const asked = indexedDB.open("rimekeep-pick", 1);
    asked.onupgradeneeded = () => {
      asked.result.createObjectStore("kept");
      asked.result.createObjectStore("queue", { keyPath: "call.key" });
    };
    asked.onsuccess = () => resolve(asked.result);
    asked.onerror = () => reject(asked.error);
  });
  return opened;
}

async function within(mode, act) {
  const database = await open();
  return new Promise((resolve, reject) => {
    const turn = database.transaction(["kept", "queue"], mode);
    const asked = act(turn.objectStore("kept"), turn.objectStore("queue"));
    turn.oncomplete = () => resolve(asked?.result);
    turn.onerror = turn.onabort = () => reject(turn.error);
  });
}

/** A value kept under a name. */
export function kept(name) { return within("readonly", (values) => values.get(name)); }

/** Keep values under their names, and put an entry into the queue with them: all or nothing. */
export function keep(values, entry) {
  return within("readwrite", (place, queue) => {
    for (const [name, value] of Object.entries(values)) place.put(value, name);
    if (entry) queue.put(entry);
  });
}

/** What is not sent yet, oldest first. */
export async function waiting() {
  const entries = await within("readonly", (_, queue) => queue.getAll());
  return entries.sort((one, other) => one.number - other.number);
}

/** Take what is answered out of the queue. */
export function sent(keys) {
  return within("readwrite", (_, queue) => { for (const key of keys) queue.delete(key); });
}
