/** Asks what kind of server has served this page: a unit's, or the hub of a network. */

export type ServerRole = 'unit' | 'hub';
const LONGEST_WAIT_MS = 4_000;

/** @returns null where nobody says so within a few seconds */
export async function askServerRole(fetcher: typeof fetch): Promise<ServerRole | null> {
  try {
    const signal = AbortSignal.timeout(LONGEST_WAIT_MS);
    const response = await fetcher('/api/health', { cache: 'no-store', signal });
    if (!response.ok) return null;
    const { role } = (await response.json()) as { role?: unknown };
    return role === 'hub' || role === 'unit' ? role : null;
  } catch {
    return null;
  }
}
