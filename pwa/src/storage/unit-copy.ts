/**
 * What the unit holds of this tablet, and this tablet of the unit: who the device is, where its
 * logs end, how far each was exchanged, and how far each stream was read.
 *
 * The part of the store that the exchange works on; `operation-store.ts` saves and reads.
 */
import type { DeviceStanding } from '../ports';
import type { Catalogue } from '../record-catalogue/catalogue';
import type { LastRead } from '../sync/exchange';
import { type Operation, writeEnvelope } from '../sync/operation';
import type { Tip } from '../sync/operation-log';
import type { CarriedHead } from '../sync/signing';
import type { Database } from './database';
import { IS_ERASED } from './erased-rows';
import { moveBranch } from './forked-branch';
import { keepHeads } from './head-rows';
import { readMeta, writeMeta } from './meta-rows';
import { heldHash, logNumber, selectOperations } from './operation-rows';
import { beginEpoch } from './own-log-rows';
import { remergeRecord } from './record-states';

/** Heads that others signed, as they came with a page; `areAll`: of every log, not of the page alone. */
export interface SignedHeads {
  heads: readonly CarriedHead[];
  areAll: boolean;
}

/** Who this device is; `token` is null while it works alone. */
export interface OwnDevice {
  device: string;
  role: 'bedside' | 'booking';
  token: string | null;
  unitName: string;
  /** By which people at the unit know this device; left out where the unit has not told it. */
  name?: string;
  streams: string[];
  /** Public key that the unit knows, base64; left out on a device that has none there. */
  key?: string;
  /** The key that came in its place once it was lost; the unit does not know it yet (SG6). */
  newKey?: string;
  /** Public key of the unit's server, base64, as it told it at joining (SG10). */
  serverKey?: string;
  /** Six digits that a person at the unit has still to compare; left out once it has let us in. */
  waiting?: string;
}

/** Return what a screen is told of this device. */
export function standingOf(own: OwnDevice | null): DeviceStanding | null {
  if (own === null) return null;
  return {
    device: own.device,
    role: own.role,
    joined: own.token !== null,
    unitName: own.unitName,
    ...(own.name && { name: own.name }),
    ...(own.waiting && { waiting: own.waiting }),
  };
}

/** Streams a role writes; the server enforces the same. */
export const STREAMS_OF_ROLE: Record<OwnDevice['role'], readonly string[]> = {
  bedside: ['care', 'booking', 'unit'],
  booking: ['booking', 'unit'],
};

/** Own operations that the unit does not hold; bind the own device. */
export const UNSENT = `own_epoch
  JOIN phrase ON phrase.text = ? || '.' || own_epoch.epoch
  JOIN operation ON operation.log = phrase.id AND operation.counter > own_epoch.held_by_unit`;

export class UnitCopy {
  /** The rows themselves, for the modules of the store beside this one. */
  readonly database: Database;
  readonly catalogue: Catalogue;

  constructor(database: Database, catalogue: Catalogue) {
    this.database = database;
    this.catalogue = catalogue;
  }

  // --- who this device is -------------------------------------------------------------------

  ownDevice(): OwnDevice | null {
    return readMeta<OwnDevice>(this.database, 'own_device');
  }

  /** Keep who this device is; `epoch` begins its log when it has none yet. */
  becomeDevice(own: OwnDevice, epoch: string): void {
    this.database.transaction(() => {
      writeMeta(this.database, 'own_device', own);
      if (readMeta(this.database, 'epoch') === null) beginEpoch(this.database, epoch);
    });
  }

  /** Begin a new epoch: for a device that cannot prove it continues its own log. */
  beginEpoch(epoch: string): void {
    this.database.transaction(() => beginEpoch(this.database, epoch));
  }

  /** Return the end of the own log in the current epoch. */
  tip(): Tip {
    const epoch = readMeta<string>(this.database, 'epoch') ?? '';
    return this.tipOf(epoch);
  }

  /** Return the end of the own log in one epoch. */
  tipOf(epoch: string): Tip {
    const [row] = this.database.select('SELECT * FROM own_epoch WHERE epoch = ?', [epoch]);
    return { epoch, counter: Number(row?.counter ?? 0), hash: String(row?.hash ?? '') };
  }

  // --- what the unit holds ------------------------------------------------------------------

  /** Return the own epochs an exchange has to speak of: the current one, then others unsent. */
  epochsToExchange(): string[] {
    const current = readMeta<string>(this.database, 'epoch');
    return this.database
      .select(
        `SELECT epoch FROM own_epoch
         WHERE epoch = ? OR counter > held_by_unit ORDER BY rowid`,
        [current],
      )
      .map((row) => String(row.epoch));
  }

  /** Return the hash at a counter of an own epoch: "" at 0, null where the log ends before. */
  ownHashAt(epoch: string, counter: number): string | null {
    if (counter === 0) return '';
    return heldHash(this.database, this.ownDevice()?.device ?? '', epoch, counter);
  }

  /** Return how far the unit held an own epoch when last asked. */
  heldByUnit(epoch: string): number {
    const [row] = this.database.select('SELECT held_by_unit FROM own_epoch WHERE epoch = ?', [
      epoch,
    ]);
    return Number(row?.held_by_unit ?? 0);
  }

  /** Keep how far the unit holds an own epoch. It may go back: a unit restored from a copy. */
  noteHeldByUnit(epoch: string, counter: number): void {
    this.database.exec('UPDATE own_epoch SET held_by_unit = min(?, counter) WHERE epoch = ?', [
      counter,
      epoch,
    ]);
  }

  /**
   * Write the own branch of a fork again in the current epoch, or in a new one when the fork is in
   * the current one (EX9).
   *
   * @param first - counter of the first operation that the unit does not hold
   * @returns the epoch that holds the branch now
   */
  reissueBranch(epoch: string, first: number, newEpoch: string): string {
    return this.database.transaction(() => {
      if (readMeta<string>(this.database, 'epoch') === epoch) beginEpoch(this.database, newEpoch);
      const place = { device: this.ownDevice()?.device ?? '', epoch, counter: first };
      const moved = moveBranch(this.database, place, this.tip());
      for (const record of moved.records) remergeRecord(this.database, this.catalogue, record);
      if (moved.sentence !== '') this.giveNotice(moved.sentence);
      this.#readOwnAgain();
      return this.tip().epoch;
    });
  }

  /** Begin a new epoch and read every stream again, own entries too: this is an older copy. */
  beginRecovery(newEpoch: string, behind: string): void {
    this.database.transaction(() => {
      if (readMeta<string>(this.database, 'epoch') === behind) beginEpoch(this.database, newEpoch);
      this.#readOwnAgain();
    });
  }

  #readOwnAgain(): void {
    this.resetCursors();
    writeMeta(this.database, 'is_recovering', true);
  }

  /** Read every stream again, own entries too: a copy has written under the own name (EX9). */
  readOwnAgain(): void {
    this.database.transaction(() => this.#readOwnAgain());
  }

  /** Return up to which counter each log under the own name is held, or was read back before. */
  ownLogs(): Record<string, number> {
    const logs = readMeta<Record<string, number>>(this.database, 'own_logs_read') ?? {};
    for (const row of this.database.select('SELECT epoch, counter FROM own_epoch')) {
      const epoch = String(row.epoch);
      logs[epoch] = Math.max(logs[epoch] ?? 0, Number(row.counter));
    }
    return logs;
  }

  isRecovering(): boolean {
    return readMeta<boolean>(this.database, 'is_recovering') === true;
  }

  /** @param logs - what the unit holds under the own name; what it set aside never comes back */
  endRecovery(logs: Readonly<Record<string, number>>): void {
    writeMeta(this.database, 'own_logs_read', logs);
    writeMeta(this.database, 'is_recovering', null);
  }

  /** Say whether another server answered before; the first one ever is kept as the known one. */
  isOtherServer(server: string): boolean {
    const before = readMeta<string>(this.database, 'server');
    if (before === null) writeMeta(this.database, 'server', server);
    return before !== null && before !== server;
  }

  /** Read all again and offer what is held here: the unit was put back to an older copy (EX10). */
  beginOffer(server: string): void {
    this.database.transaction(() => {
      writeMeta(this.database, 'server', server);
      this.resetCursors();
      // What it held of the own log is asked anew, of epochs long past too.
      this.database.exec('UPDATE own_epoch SET held_by_unit = 0', []);
      writeMeta(this.database, 'is_offering', true);
      writeMeta(this.database, 'has_known_put_back', true);
    });
  }

  /** Say whether the unit was ever put back to an older copy, as far as this tablet noticed. */
  hasKnownPutBack(): boolean {
    return readMeta<boolean>(this.database, 'has_known_put_back') === true;
  }

  /** Say whether anything that others wrote ever came from a file (BU7). */
  hasTakenFile(): boolean {
    return readMeta<boolean>(this.database, 'has_taken_file') === true;
  }

  noteTakenFile(): void {
    writeMeta(this.database, 'has_taken_file', true);
  }

  isOffering(): boolean {
    return readMeta<boolean>(this.database, 'is_offering') === true;
  }

  endOffer(): void {
    writeMeta(this.database, 'is_offering', null);
  }

  /** Return the logs of other devices of which anything is held, by device and epoch. */
  otherLogs(): [device: string, epoch: string][] {
    const own = this.ownDevice()?.device ?? '';
    return this.database
      .select('SELECT text FROM phrase WHERE id IN (SELECT log FROM operation) ORDER BY text')
      .map((row): [string, string] => {
        const [device = '', epoch = ''] = String(row.text).split('.');
        return [device, epoch];
      })
      .filter(([device]) => device !== own)
      .sort();
  }

  /**
   * Return operations of one log after a counter, without those whose body is not here.
   *
   * Of an erased record nobody has a body: it is sent as withheld, so that what follows can (ER3).
   */
  logOf(device: string, epoch: string, after: number, limit: number): Operation[] {
    return selectOperations(
      this.database,
      `WHERE log = ? AND counter > ? AND (body IS NOT NULL OR ${IS_ERASED})
       ORDER BY counter LIMIT ?`,
      [logNumber(this.database, device, epoch), after, limit],
    );
  }

  /** Return the last counter that is held of one log, 0 for none. */
  lastCounterOf(device: string, epoch: string): number {
    const bind = [logNumber(this.database, device, epoch)];
    const query = 'SELECT max(counter) AS last FROM operation WHERE log = ?';
    return Number(this.database.select(query, bind)[0]?.last ?? 0);
  }

  /** Return up to `limit` own operations of an epoch from a counter on. */
  ownLog(epoch: string, from: number, limit: number): Operation[] {
    return this.logOf(this.ownDevice()?.device ?? '', epoch, from - 1, limit);
  }

  /** A sentence about this tablet's own store that a person has to know, "" when none. */
  notice(): string {
    return readMeta<string>(this.database, 'notice') ?? '';
  }

  giveNotice(sentence: string): void {
    writeMeta(this.database, 'notice', sentence === '' ? null : sentence);
  }

  /** Return up to `limit` own operations of an epoch from a counter on, as they travel. */
  ownOperations(epoch: string, from: number, limit: number): [envelope: string, body: string][] {
    return this.ownLog(epoch, from, limit).map((one) => [writeEnvelope(one), one.bodyText ?? '']);
  }

  cursors(): Record<string, number> {
    return Object.fromEntries(
      this.database
        .select('SELECT stream, after FROM cursor')
        .map((row) => [String(row.stream), Number(row.after)]),
    );
  }

  /** Keep what was read last of a stream, for the unit to compare (EX20). */
  noteLastRead(stream: string, read: LastRead): void {
    writeMeta(this.database, `last_read:${stream}`, read);
  }

  /** Return what was read last of each stream, as far as its cursor still stands there. */
  lastRead(): Record<string, LastRead> {
    const found: Record<string, LastRead> = {};
    for (const [stream, after] of Object.entries(this.cursors())) {
      const read = readMeta<LastRead>(this.database, `last_read:${stream}`);
      if (read !== null && read.after <= after) found[stream] = read;
    }
    return found;
  }

  /** Say whether a stream was once read with the heads of every log (SG12). */
  hasReadHeads(stream: string): boolean {
    return readMeta<boolean>(this.database, `has_heads:${stream}`) === true;
  }

  /** Keep the heads that came with a page of a stream. */
  keepHeads(stream: string, { heads, areAll }: SignedHeads): void {
    keepHeads(this.database, heads);
    if (areAll) writeMeta(this.database, `has_heads:${stream}`, true);
  }

  /** Read a stream (or all) from its start again: repeats change nothing (LG3). */
  resetCursors(stream: string | null = null): void {
    if (stream === null) this.database.exec('DELETE FROM cursor', []);
    else this.database.exec('DELETE FROM cursor WHERE stream = ?', [stream]);
  }

  /** Return how many own operations the unit does not hold, and when the oldest was written. */
  unsent(): { count: number; oldestMs: number | null } {
    // Counted by the index; of each log the first one alone is read.
    const [row] = this.database.select(
      `SELECT
         sum((SELECT count(*) FROM operation WHERE log = phrase.id AND counter > held_by_unit)) AS count,
         min((SELECT taken_in_ms FROM operation WHERE log = phrase.id AND counter > held_by_unit
           ORDER BY counter LIMIT 1)) AS oldest
       FROM own_epoch JOIN phrase ON phrase.text = ? || '.' || own_epoch.epoch`,
      [this.ownDevice()?.device ?? ''],
    );
    return {
      count: Number(row?.count ?? 0),
      oldestMs: row?.oldest == null ? null : Number(row.oldest),
    };
  }
}
