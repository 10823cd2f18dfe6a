/**
 * Keeps the second copy behind the log, and makes the two one again at start [REL-14].
 *
 * What one of them lacks is taken from the other, and a person is told; a tablet that lost its
 * records never looks like a fresh one [HAZ-36].
 */
import { readTold, tell } from '../told';
import type { Database } from './database';
import { judgeMark } from './high-water-mark';
import { writeMeta } from './meta-rows';
import type { OperationStore, OwnDevice } from './operation-store';
import {
  keepLaterStamp,
  type PutBack,
  putBackEntries,
  readLastStamp,
  readOwnEntries,
  readOwnLogs,
} from './own-log-rows';
import type {
  CopiedOperation,
  CopyChange,
  CopyContent,
  CopyHead,
  OwnLog,
  SecondCopy,
} from './second-copy';

/** Operations in one write of the copy. */
const BATCH = 500;
/** Told from a notice that stays until the tablet has joined; older versions wrote the second. */
const isOfLastRepair = (notice: string) =>
  (readTold(notice)?.code ?? '').startsWith('repaired') || notice.startsWith('Store repaired:');

interface Surroundings {
  nowMs(): number;
  newEpoch(): string;
}

export class SecondCopyKeeper {
  readonly #database: Database;
  readonly #store: OperationStore;
  readonly #copy: SecondCopy;
  readonly #around: Surroundings;
  /** From and to which counter of each epoch the copy holds. */
  readonly #spans = new Map<string, { from: number; to: number }>();
  #written = '';
  #traced = '';
  #running: Promise<void> | null = null;
  #settling: Promise<void> | null = null;
  #isReadable = false;
  #trouble = '';

  constructor(database: Database, store: OperationStore, copy: SecondCopy, around: Surroundings) {
    this.#database = database;
    this.#store = store;
    this.#copy = copy;
    this.#around = around;
  }

  /** Told while the copy cannot be kept, else "". */
  get trouble(): string {
    return this.#trouble;
  }

  /** Make log and copy one, before anything else is written; once, however often it is asked. */
  settle(): Promise<void> {
    this.#settling ??= this.#settle();
    return this.#settling;
  }

  async #settle(): Promise<void> {
    let content: CopyContent;
    try {
      content = await this.#copy.read();
    } catch (error) {
      this.#tellTrouble(error);
      await this.#noticeTrace();
      // Without the mark nothing proves that this is the newest log.
      if (this.#store.ownDevice() !== null && this.#store.tip().counter > 0) {
        this.#store.beginEpoch(this.#around.newEpoch());
      }
      return;
    }
    this.#isReadable = true;
    for (const { epoch, counter } of content.operations) this.#widenSpan(epoch, counter);
    const own = this.#store.ownDevice();
    if (own === null) await this.#settleLostLog(content);
    else this.#settleLog(own, content);
  }

  /** Bring the copy up to the log, behind it: one write at a time, a newer one waits. */
  keep(): Promise<void> {
    this.#running ??= this.#writeAll();
    return this.#running;
  }

  /** Ask the unit for everything once more, after so many entries were altered on the disk. */
  readAllAgain(altered: number): void {
    const own = this.#store.ownDevice();
    if (own === null) return;
    this.#readAllAgain(own);
    this.#store.giveNotice(tell('repairedAltered', { count: altered }));
  }

  async #settleLostLog({ head, operations }: CopyContent): Promise<void> {
    if (head?.own === undefined) {
      if (judgeMark(null, null, head) === 'store-lost') this.#tellLost(head?.device ?? '');
      else await this.#noticeTrace();
      return;
    }
    const { own } = head;
    const { restored } = this.#putBack(own.device, operations, head);
    // The copy may lack the last entry: new work goes into a new epoch.
    this.#store.becomeDevice(own, this.#around.newEpoch());
    this.#readAllAgain(own);
    const rest = own.token === null ? 'other' : 'unit';
    this.#store.giveNotice(tell('repairedLost', { count: restored, rest }));
  }

  #settleLog(own: OwnDevice, { head, operations }: CopyContent): void {
    const verdict = judgeMark(own.device, this.#store.tip(), head);
    const isOfThisDevice = head?.device === own.device;
    const before = new Map(readOwnLogs(this.#database).map((log) => [log.epoch, log.counter]));
    const isBehind = (head?.logs ?? []).some(
      ({ epoch, counter }) => counter > (before.get(epoch) ?? 0),
    );
    let restored = 0;
    if (isOfThisDevice) restored = this.#putBack(own.device, operations, head).restored;
    else this.#keepAside(operations, head?.device ?? '?');
    if (verdict === 'new-epoch' || (isOfThisDevice && isBehind)) {
      this.#store.beginEpoch(this.#around.newEpoch());
    }
    if (isOfThisDevice && isBehind) this.#readAllAgain(own);
    const { count } = this.#store.unsent();
    if (restored > 0) {
      this.#store.giveNotice(tell('repairedOlder', { count: restored }));
    } else if (head === null && sum(before.values()) > 0) {
      this.#store.giveNotice(tell('repairedCopy', { count }));
    } else if (isOfLastRepair(this.#store.notice())) {
      this.#store.giveNotice('');
    }
  }

  #putBack(device: string, operations: readonly CopiedOperation[], head: CopyHead): PutBack {
    const { catalogue } = this.#store;
    const answer = putBackEntries(this.#database, catalogue, device, operations, head.logs ?? []);
    for (const { entry, opId, sentence } of answer.refused) {
      const { envelope, body } = entry;
      this.#store.setAside('tablet', opId, envelope, body, sentence, this.#around.nowMs());
    }
    keepLaterStamp(this.#database, head.lastStamp);
    return answer;
  }

  /** Entries of another device cannot be sent as this one's: a person gets them. */
  #keepAside(operations: readonly CopiedOperation[], device: string): void {
    for (const { epoch, counter, envelope, body } of operations) {
      const sentence = tell('copyOfOther', { device });
      const opId = `${device}.${epoch}.${counter}`;
      this.#store.setAside('tablet', opId, envelope, body, sentence, this.#around.nowMs());
    }
  }

  /** Ask the unit for everything once more, own entries too: the log is not whole. */
  #readAllAgain({ token }: OwnDevice): void {
    this.#store.resetCursors();
    if (token !== null) writeMeta(this.#database, 'is_recovering', true);
  }

  async #noticeTrace(): Promise<void> {
    if (this.#store.ownDevice() !== null) return;
    const device = await this.#copy.readTrace().catch(() => null);
    if (device !== null) this.#tellLost(device);
  }

  #tellLost(device: string): void {
    this.#store.giveNotice(tell('recordsGone', { device }));
  }

  async #writeAll(): Promise<void> {
    try {
      await Promise.resolve();
      // A copy that could not be read may hold what the log lacks: never write over it.
      if (!this.#isReadable) return;
      await this.#leaveTrace();
      for (;;) {
        const change = this.#nextChange();
        if (change === null) break;
        await this.#copy.write(change);
        this.#noteWritten(change);
      }
      this.#trouble = '';
    } catch (error) {
      this.#tellTrouble(error);
    } finally {
      // In the same step as the last look at the log: an entry after it finds nothing running.
      this.#running = null;
    }
  }

  /** Return what the next write has to change, null when the copy is up to date. */
  #nextChange(): CopyChange | null {
    const own = this.#store.ownDevice();
    if (own === null) return null;
    const logs = readOwnLogs(this.#database);
    const add = logs.flatMap((log) => this.#lacking(own.device, log)).slice(0, BATCH);
    const { epoch, counter } = this.#store.tip();
    const lastStamp = readLastStamp(this.#database);
    const head: CopyHead = { device: own.device, epoch, counter, own, logs, lastStamp };
    if (add.length === 0 && this.#written === JSON.stringify(head)) return null;
    return { head, add, drop: this.#dispensable(logs) };
  }

  #lacking(device: string, log: OwnLog): CopiedOperation[] {
    const first = firstKept(log);
    const span = this.#spans.get(log.epoch);
    // A unit put back to an older copy holds less than before: copy from there on once more.
    const from = span === undefined || span.from > first ? first : Math.max(span.to + 1, first);
    if (from > log.counter) return [];
    return readOwnEntries(this.#database, device, log.epoch, from, BATCH);
  }

  /** What the unit holds by now, and epochs that are none of this device's. */
  #dispensable(logs: readonly OwnLog[]): CopyChange['drop'] {
    const firsts = new Map(logs.map((log) => [log.epoch, firstKept(log)]));
    return [...this.#spans].flatMap(([epoch, { from }]) => {
      const before = firsts.get(epoch) ?? Number.POSITIVE_INFINITY;
      return from < before ? [{ epoch, before }] : [];
    });
  }

  #noteWritten({ head, add, drop }: CopyChange): void {
    this.#written = JSON.stringify(head);
    for (const { epoch, before } of drop) {
      const span = this.#spans.get(epoch);
      if (span === undefined || before > span.to) this.#spans.delete(epoch);
      else span.from = before;
    }
    for (const { epoch, counter } of add) {
      const span = this.#spans.get(epoch);
      if (span !== undefined && counter < span.from) this.#spans.delete(epoch);
      this.#widenSpan(epoch, counter);
    }
  }

  #widenSpan(epoch: string, counter: number): void {
    const span = this.#spans.get(epoch);
    if (span === undefined) this.#spans.set(epoch, { from: counter, to: counter });
    else {
      span.from = Math.min(span.from, counter);
      span.to = Math.max(span.to, counter);
    }
  }

  async #leaveTrace(): Promise<void> {
    const device = this.#store.ownDevice()?.device ?? '';
    if (device === '' || device === this.#traced) return;
    this.#traced = device;
    // It only serves to name a tablet that lost everything; nothing depends on it.
    await this.#copy.writeTrace(device).catch(() => {});
  }

  #tellTrouble(error: unknown): void {
    const why = error instanceof Error && error.message !== '' ? error.message : String(error);
    this.#trouble = tell('copyTrouble', { why });
  }
}

/** The last entry that the unit holds is kept too: a handshake compares its hash (EX2). */
function firstKept({ heldByUnit }: OwnLog): number {
  return Math.max(1, heldByUnit);
}

function sum(numbers: Iterable<number>): number {
  let total = 0;
  for (const number of numbers) total += number;
  return total;
}
