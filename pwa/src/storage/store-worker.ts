/** The worker that owns the store: one writer among all windows, by a lock of the browser. */
import { randomFraction, randomHex, randomText } from '../device/chance';
import { UnitRequests } from '../network/unit-requests';
import { packagedCatalogue } from '../record-catalogue/packaged-catalogue';
import { readMark, writeMark } from './high-water-mark';
import { NewerStoreError } from './migrations';
import { OperationStore } from './operation-store';
import { openOpfsDatabase, StoreRefusedError } from './opfs-database';
import { StoreService } from './store-service';
import type { FromWorker, StoreRequest, ToWorker, WorkerOpenAnswer } from './worker-messages';

const LOCK = 'crura-store';
/** A window that is being reloaded gives its lock back within this time. */
const PATIENCE_MS = 1_500;

const scope = self as unknown as DedicatedWorkerGlobalScope;
const post = (message: FromWorker) => scope.postMessage(message);

let service: StoreService | null = null;
let opening: Promise<WorkerOpenAnswer> | null = null;

scope.addEventListener('message', (event: MessageEvent<ToWorker>) => {
  if ('nudge' in event.data) service?.nudge();
  else void answer(event.data);
});

async function answer({ id, call, given }: StoreRequest): Promise<void> {
  try {
    post({ id, answer: await carryOut(call, given) });
  } catch (error) {
    post({ id, failure: error instanceof Error ? error.message : String(error) });
  }
}

function carryOut(call: StoreRequest['call'], given: readonly unknown[]): unknown {
  if (call === 'open') {
    opening ??= open();
    return opening;
  }
  if (service === null) throw new StoreRefusedError('NOT SAVED: the store is not open.');
  const method = service[call] as (...args: readonly unknown[]) => unknown;
  return method.apply(service, [...given]);
}

async function open(): Promise<WorkerOpenAnswer> {
  if (!(await holdLock())) {
    // Wait in the background; the page reloads when the other window has gone.
    void navigator.locks.request(LOCK, async () => post({ isFree: true }));
    return {
      kind: 'busy-elsewhere',
      sentence:
        'The app is open in another window or tab of this tablet. Use that one; this one opens by itself when it is closed.',
    };
  }
  try {
    const store = new OperationStore(await openOpfsDatabase(), packagedCatalogue());
    const opened = new StoreService(store, new UnitRequests((path, init) => fetch(path, init)), {
      nowMs: () => Date.now(),
      newSalt: () => randomHex(16),
      newEpoch: () => randomText(8),
      newDeviceId: () => randomText(10),
      chance: randomFraction,
      later(waitMs, work) {
        const timer = setTimeout(work, waitMs);
        return () => clearTimeout(timer);
      },
      readMark,
      writeMark,
      onRecords: (records) => post({ records }),
      onExchange: (exchange) => post({ exchange }),
    });
    const standing = await opened.start();
    service = opened;
    return { kind: 'open', standing };
  } catch (error) {
    if (error instanceof StoreRefusedError || error instanceof NewerStoreError) {
      return { kind: 'refused', sentence: error.message };
    }
    const why = error instanceof Error ? error.message : String(error);
    return {
      kind: 'refused',
      sentence: `NOT SAVED: the records on this tablet cannot be read (${why}). Nothing was deleted. Restart the browser, and ask the data manager if it stays so.`,
    };
  }
}

/** Take the lock and hold it as long as this worker lives; false when another window has it. */
function holdLock(): Promise<boolean> {
  return new Promise((resolve) => {
    navigator.locks
      .request(LOCK, { signal: AbortSignal.timeout(PATIENCE_MS) }, () => {
        resolve(true);
        return new Promise<never>(() => {});
      })
      .catch(() => resolve(false));
  });
}
