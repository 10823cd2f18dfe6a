/**
 * The worker that owns the store, where this window is the one that writes; else the worker that
 * reads through the window that is. The browser's lock chooses the one writer.
 */
import { BUILD } from '../device/build';
import { randomText } from '../device/chance';
import { openDeviceKey } from '../device/device-key';
import { UnitRequests } from '../network/unit-requests';
import type { ExchangeStanding, KeyStanding } from '../ports';
import { tell, whyOf } from '../told';
import { later, serviceOf } from './browser-service';
import { holdTablet } from './browser-tablet';
import { NewerStoreError } from './migrations';
import { StoreRefusedError } from './store-opening';
import type { StoreService } from './store-service';
import {
  type CallAnswerer,
  ReadingWindow,
  type WindowChannel,
  type WindowMessage,
  WritingWindow,
} from './store-windows';
import { isKeyCall, TabletHolder } from './tablet-holder';
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
/** The files and keys, once this window has the lock. */
let holding: Promise<TabletHolder> | null = null;
let hasLock = false;

post({ build: BUILD });
scope.addEventListener('message', (event: MessageEvent<ToWorker>) => {
  if ('nudge' in event.data) void nudge();
  else void answer(event.data);
});

async function nudge(): Promise<void> {
  service?.nudge();
  if (holding !== null) (await holding).nudge();
}

async function answer({ id, call, given }: StoreRequest): Promise<void> {
  try {
    post({ id, answer: await carryOut(call, given) });
  } catch (error) {
    post({ id, failure: whyOf(error) });
  }
}

async function carryOut(call: StoreRequest['call'], given: readonly unknown[]): Promise<unknown> {
  if (call === 'open') {
    opening ??= open();
    return opening;
  }
  if (isKeyCall(call)) {
    if (!hasLock) return answerKeysOfReader(call, given);
    const answered = await (await hold()).carryOut(call, given);
    // What is open now is another store than before: the page asks anew.
    if (answered.opensAnew) opening = null;
    if (call === 'lock') channel.post({ locks: true });
    return answered.answer;
  }
  if (answerer === null) throw new StoreRefusedError(tell('notOpen'));
  return answerer.carryOut(call, given);
}

/** A window that only reads has no keys: it asks the one that writes, which locks both. */
async function answerKeysOfReader(
  call: StoreRequest['call'],
  given: readonly unknown[],
): Promise<unknown> {
  if (call === 'keepLive') return undefined;
  const isAsked = call === 'keyStanding' || call === 'checkPin';
  if (!isAsked || !(answerer instanceof ReadingWindow)) {
    throw new StoreRefusedError(tell('onlyWriter'));
  }
  if (call === 'checkPin') return answerer.askKeys(call, given);
  try {
    return { ...((await answerer.askKeys(call, given)) as KeyStanding), isElsewhere: true };
  } catch (error) {
    // It went before it answered: the keys are this window's by now.
    if (hasLock) return (await (await hold()).carryOut(call, given)).answer;
    throw error;
  }
}

async function open(): Promise<WorkerOpenAnswer> {
  hasLock ||= await holdLock();
  if (!hasLock) return read();
  try {
    const opened = await write();
    if (opened !== null) {
      const { isEmergency } = await hold();
      return { kind: 'open', standing: opened.standing(), ...(isEmergency && { isEmergency }) };
    }
    return { kind: 'locked', ...(await (await hold()).locked()) };
  } catch (error) {
    opening = null;
    if (error instanceof StoreRefusedError || error instanceof NewerStoreError) {
      return { kind: 'refused', sentence: error.message };
    }
    return { kind: 'refused', sentence: tell('unreadable', { why: whyOf(error) }) };
  }
}

function hold(): Promise<TabletHolder> {
  holding ??= makeHolder();
  holding.catch(() => {
    holding = null;
  });
  return holding;
}

async function makeHolder(): Promise<TabletHolder> {
  const requests = new UnitRequests(async (path, init) => {
    const response = await fetch(path, init);
    if (response.status === 403) void noteRefusal(response.clone());
    return response;
  });
  const signer = await openDeviceKey();
  const parts = await holdTablet(requests, () => holder.token());
  const holder = new TabletHolder(parts, requests, signer, {
    onExchange: (exchange) => tellAll({ exchange }),
    onWiped: (sentence) => post({ wiped: sentence }),
    later,
  });
  return holder;
}

/** The unit may have given this device up as lost, whatever it was asked. */
async function noteRefusal(response: Response): Promise<void> {
  try {
    const problem = (await response.json()) as Record<string, unknown>;
    await (await hold()).noteProblem(problem);
  } catch {
    // No problem of ours, or something stopped it: the next refusal says the same.
  }
}

function tellAll(message: { records: string[] } | { exchange: ExchangeStanding }): void {
  post(message);
  channel.post(message);
}

/**
 * Open the store and write from here on; null while it is locked. The caller holds the lock.
 */
async function write(): Promise<StoreService | null> {
  const holder = await hold();
  const records = await holder.open();
  if (records === null) return null;
  const isCurrent = () => service === opened;
  const opened: StoreService = serviceOf(records, holder, (message) => {
    if (isCurrent()) tellAll(message);
  });
  service = opened;
  await opened.start();
  // An emergency case is this window's alone: the others would take it for the records.
  const heard: WindowChannel = holder.isEmergency ? { post: () => {}, hear: () => {} } : channel;
  answerer = new WritingWindow(opened, heard, {
    carryOut: async (call, given) => (await holder.carryOut(call, given)).answer,
  });
  return opened;
}

/** Read through the window that writes, and take over when it has gone. */
async function read(): Promise<WorkerOpenAnswer> {
  const reload = () => post({ isFree: true });
  const reading = new ReadingWindow(channel, {
    newId: () => randomText(10),
    later,
    onRecords: (records) => post({ records }),
    onExchange: (exchange) => post({ exchange }),
    onLocked: reload,
  });
  const notice = await reading.seek(LONGEST_SEARCH_MS);
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
  hasLock = true;
  // Only a key that lies open needs no PIN, as at any other start.
  const opened = await write();
  if (opened === null) throw new StoreRefusedError(tell('notOpen'));
  if (answerer !== null) reading.handOver(answerer);
  // Something may have been saved after the last word that was heard of the other window.
  post({ records: opened.everyRecord() });
  post({ exchange: opened.exchangeStanding() });
  return new Promise<never>(() => {});
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
