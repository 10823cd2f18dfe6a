/** Which build this is, and which one the service worker hands out. */

/** Hash of the sources that this page or worker was built from. */
export const BUILD: string = __BUILD_ID__;

/** Return the build whose files are handed out to this page, null when nobody answers. */
export async function readServedBuild(): Promise<string | null> {
  try {
    const answer = await fetch('/build.json', { cache: 'no-store' });
    const { build } = (await answer.json()) as { build?: unknown };
    return typeof build === 'string' ? build : null;
  } catch {
    return null;
  }
}
