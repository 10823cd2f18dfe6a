/** How much room the browser gives this app. */

/** Return the bytes that are free for this app, null where the browser does not tell. */
export async function readFreeBytes(): Promise<number | null> {
  try {
    const { quota, usage } = await navigator.storage.estimate();
    return quota === undefined || usage === undefined ? null : Math.max(0, quota - usage);
  } catch {
    return null;
  }
}
