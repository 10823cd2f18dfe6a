/** Asks the unit for dropped cases that somebody waits for, and shows each once it is whole. */
import { recordsInPart, wantedCases } from '../storage/dropped-rows';
import { showWholeCases } from '../storage/dropping';
import type { OperationStore, PulledRow } from '../storage/operation-store';
import { MAX_BATCH_COUNT } from '../sync/exchange';
import type { UnitRequests } from './unit-requests';

interface PullAnswer {
  operations: PulledRow[];
  next: number;
  more: boolean;
}

/**
 * Bring back every case that is waited for (SN6) and return the records that show again.
 *
 * @throws NoAnswerError or RefusedError; what came before it is kept, and the case stays waited for
 */
export async function recallCases(
  store: OperationStore,
  requests: UnitRequests,
  nowMs: () => number,
): Promise<string[]> {
  const token = store.ownDevice()?.token;
  if (!token) return [];
  for (const ofCase of wantedCases(store.database)) {
    await pullRecord(store, requests, token, ofCase, nowMs);
    // What was struck through or moved hangs under the case no more: each is asked for by name.
    for (const record of recordsInPart(store.database, ofCase)) {
      await pullRecord(store, requests, token, record, nowMs);
    }
  }
  return store.database.transaction(() => showWholeCases(store));
}

async function pullRecord(
  store: OperationStore,
  requests: UnitRequests,
  token: string,
  record: string,
  nowMs: () => number,
): Promise<void> {
  for (let after = 0; ; ) {
    const page = await requests.get<PullAnswer>(
      `/api/exchange/pull?stream=care&record=${record}&own=1&after=${after}&limit=${MAX_BATCH_COUNT}`,
      token,
    );
    // The cursor of the stream stays where it was: this page is out of its order.
    store.applyPulled('care', page.operations, store.cursors().care ?? 0, nowMs());
    if (!page.more || page.next <= after) return;
    after = page.next;
  }
}
