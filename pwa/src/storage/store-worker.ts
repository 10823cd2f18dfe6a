/**
 * The worker that owns the store, where this window is the one that writes; else the worker that
 * reads through the window that is. The browser's lock chooses the one writer.
 */
import { BUILD } from '../device/build';
import { randomFraction, randomHex, randomText } from '../device/chance';
import { openDeviceKey } from '../device/device-key';
import { UnitRequests } from '../network/unit-requests';
import type { ExchangeStanding } from '../ports';
import { packagedCatalogue } from '../record-catalogue/packaged-catalogue';
import { tell, whyOf } from '../told';
import { indexedSecondCopy } from './indexed-second-copy';
import { NewerStoreError } from './migrations';
import { openRecordsFiles } from './opfs-database';
import { opfsPictureFiles } from './picture-files';
import { SecondCopyKeeper } from './second-copy-keeper';
import { openStore, StoreRefusedError } from './store-opening';
import { StoreService } from './store-service';
import {
  type CallAnswerer,
  ReadingWindow,
  type WindowChannel,
  type WindowMessage,
  WritingWindow,
} from './store-windows';
import type { FromWorker, StoreRequest, ToWorker, WorkerOpenAnswer } from './worker-messages';

const LOCK = 'crura-store';
/** A window that is being reloaded gives its lock back within this time. */
const PATIENCE_MS = 1_500;
/** A window that writes answers within this time, also while it is still opening. */
const LONGEST_SEARCH_MS = 3_000;

const scope = self as unknown as DedicatedWorkerGlobalScope;
const post = (message: FromWorker) => scope.postMessage(message);

const broadcast = new BroadcastChannel(LOCK);
const channel: WindowChannel = {
  post: (message) => broadcast.postMessage(message),
  hear: (listener) =>
    broadcast.addEventListener('message', (event: MessageEvent<WindowMessage>) =>
      listener(event.data),
    ),
};

let service: StoreService | null = null;
let answerer: CallAnswerer | null = null;
let opening: Promise<WorkerOpenAnswer> | null = null;

post({ build: BUILD });
scope.addEventListener('message', (event: MessageEvent<ToWorker>) => {
  if ('nudge' in event.data) service?.nudge();
  else void answer(event.data);
});

async function answer({ id, call, given }: StoreRequest): Promise<void> {
  try {
    post({ id, answer: await carryOut(call, given) });
  } catch (error) {
    post({ id, failure: whyOf(error) });
  }
}

function carryOut(call: StoreRequest['call'], given: readonly unknown[]): unknown {
  if (call === 'open') {
    opening ??= open();
    return opening;
  }
  if (answerer === null) throw new StoreRefusedError(tell('notOpen'));
  return answerer.carryOut(call, given);
}

async function open(): Promise<WorkerOpenAnswer> {
  if (!(await holdLock())) return read();
  try {
    return { kind: 'open', standing: (await write()).standing() };
  } catch (error) {
    if (error instanceof StoreRefusedError || error instanceof NewerStoreError) {
      return { kind: 'refused', sentence: error.message };
    }
    return { kind: 'refused', sentence: tell('unreadable', { why: whyOf(error) }) };
  }
}

/** Open the store and write from here on. The caller holds the lock. */
async function write(): Promise<StoreService> {
  const files = await openRecordsFiles();
  const { database, store } = await openStore(files, packagedCatalogue(), indexedSecondCopy);
  const around = { nowMs: () => Date.now(), newEpoch: () => randomText(8) };
  const keeper = new SecondCopyKeeper(database, store, indexedSecondCopy, around);
  const requests = new UnitRequests((path, init) => fetch(path, init));
  const tell = (message: { records: string[] } | { exchange: ExchangeStanding }) => {
    post(message);
    channel.post(message);
  };
  const opened = new StoreService(store, keeper, requests, {
    ...around,
    newSalt: () => randomHex(16),
    newDeviceId: () => randomText(10),
    signer: await openDeviceKey(),
    pictureFiles: opfsPictureFiles,
    chance: randomFraction,
    later,
    onRecords: (records) => tell({ records }),
    onExchange: (exchange) => tell({ exchange }),
  });
  await opened.start();
  service = opened;
  answerer = new WritingWindow(opened, channel);
  return opened;
}

/** Read through the window that writes, and take over when it has gone. */
async function read(): Promise<WorkerOpenAnswer> {
  const reading = new ReadingWindow(channel, {
    newId: () => randomText(10),
    later,
    onRecords: (records) => post({ records }),
    onExchange: (exchange) => post({ exchange }),
  });
  const notice = await reading.seek(LONGEST_SEARCH_MS);
  const reload = () => post({ isFree: true });
  if (notice === null || notice.standing === null) {
    // Nothing to read yet: the page starts anew when there is, or when it can write itself.
    reading.onNotice(({ standing }) => standing !== null && reload());
    void navigator.locks.request(LOCK, async () => reload());
    return { kind: 'busy-elsewhere', sentence: tell('otherWindow') };
  }
  answerer = reading;
  void navigator.locks.request(LOCK, () => takeOver(reading).catch(reload));
  return { kind: 'open', standing: notice.standing };
}

/** Write in the place of a window that has gone; keeps the lock as long as this worker lives. */
async function takeOver(reading: ReadingWindow): Promise<never> {
  const opened = await write();
  if (answerer !== null) reading.handOver(answerer);
  // Something may have been saved after the last word that was heard of the other window.
  post({ records: opened.everyRecord() });
  post({ exchange: opened.exchangeStanding() });
  return new Promise<never>(() => {});
}

function later(waitMs: number, work: () => void): () => void {
  const timer = setTimeout(work, waitMs);
  return () => clearTimeout(timer);
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
