/** How much room the browser gives this app. */

/** Bytes that this app's storage holds, and may hold at most; null where the browser does not tell. */
export interface StorageRoom {
  usedBytes: number | null;
  quotaBytes: number | null;
}

/** Return what the browser estimates. */
export async function readStorageRoom(): Promise<StorageRoom> {
  try {
    const { quota, usage } = await navigator.storage.estimate();
    return { usedBytes: usage ?? null, quotaBytes: quota ?? null };
  } catch {
    return { usedBytes: null, quotaBytes: null };
  }
}

/** Return the bytes that are free for this app, null where the browser does not tell. */
export async function readFreeBytes(): Promise<number | null> {
  const { usedBytes, quotaBytes } = await readStorageRoom();
  return usedBytes === null || quotaBytes === null ? null : Math.max(0, quotaBytes - usedBytes);
}
