/** Hands the unit what was noted of accesses on this tablet, in pieces, until it holds all of it. */
import { dropLines, linesToSend } from '../storage/access-rows';
import type { OperationStore } from '../storage/operation-store';
import type { UnitRequests } from './unit-requests';

/** So many lines stay well below what one request may carry. */
const LINES_AT_ONCE = 100;

/**
 * Send what is left; lines that the unit holds are dropped here (AU6).
 *
 * @throws NoAnswerError or RefusedError; what was not acknowledged stays
 */
export async function sendAccessLines(
  store: OperationStore,
  requests: UnitRequests,
): Promise<void> {
  const own = store.ownDevice();
  if (!own?.token || own.waiting) return;
  for (;;) {
    const next = linesToSend(store.database, LINES_AT_ONCE);
    if (next === null) return;
    const { lines } = next;
    const answer = await requests.post<{ chain: string; held: number }>(
      '/api/access-events',
      own.token,
      { lines },
    );
    const before = store.database.select('SELECT count(*) AS count FROM access_line')[0]?.count;
    dropLines(store.database, next.chain, answer.held);
    const after = store.database.select('SELECT count(*) AS count FROM access_line')[0]?.count;
    // A unit that holds nothing of it would be asked for ever.
    if (before === after) return;
  }
}
