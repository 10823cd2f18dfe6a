/** Whether the browser promises to keep this tablet's storage. */

/** Ask the browser to keep the storage; return what it answered, false where it cannot be asked. */
export async function askForPersistence(): Promise<boolean> {
  try {
    if (await navigator.storage.persisted()) return true;
    return await navigator.storage.persist();
  } catch {
    return false;
  }
}

/** Say whether the browser promises it by now, null where it does not tell; asks for nothing. */
export async function isPersisted(): Promise<boolean | null> {
  try {
    return await navigator.storage.persisted();
  } catch {
    return null;
  }
}
