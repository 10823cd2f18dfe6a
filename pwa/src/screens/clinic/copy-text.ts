/** Puts a text where the person can paste it from. */

/** Copy a text; returns false where the browser does not allow it, as on a page without TLS. */
export async function copyText(text: string): Promise<boolean> {
  try {
    await navigator.clipboard.writeText(text);
    return true;
  } catch {
    return false;
  }
}
