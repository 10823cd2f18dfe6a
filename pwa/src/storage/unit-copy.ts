/**
 * What the unit holds of this tablet, and this tablet of the unit: who the device is, where its
 * logs end, how far each was exchanged, and how far each stream was read.
 *
 * The part of the store that the exchange works on; `operation-store.ts` saves and reads.
 */
import type { Catalogue } from '../record-catalogue/catalogue';
import { type Operation, referenceOf, writeEnvelope } from '../sync/operation';
import type { Tip } from '../sync/operation-log';
import { reissueBranch } from '../sync/reissue';
import type { Database } from './database';
import { readMeta, writeMeta } from './meta-rows';
import { heldHash, insertOperation, selectOperations } from './operation-rows';
import { remergeRecord } from './record-states';

/** Who this device is; `token` is null while it works alone. */
export interface OwnDevice {
  device: string;
  role: 'bedside' | 'booking';
  token: string | null;
  unitName: string;
  streams: string[];
  /** Public key that the unit knows, base64; left out on a device that has none there. */
  key?: string;
  /** The key that came in its place once it was lost; the unit does not know it yet (SG6). */
  newKey?: string;
}

/** Streams a role writes; the server enforces the same. */
export const STREAMS_OF_ROLE: Record<OwnDevice['role'], readonly string[]> = {
  bedside: ['care', 'booking', 'unit'],
  booking: ['booking', 'unit'],
};

/** Own operations that the unit does not hold; bind the own device. */
export const UNSENT = `
  SELECT operation.record, operation.taken_in_ms FROM own_epoch
  JOIN operation ON operation.epoch = own_epoch.epoch AND operation.counter > own_epoch.held_by_unit
  WHERE operation.device = ?`;

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
      if (readMeta(this.database, 'epoch') === null) this.#beginEpoch(epoch);
    });
  }

  /** Begin a new epoch: for a device that cannot prove it continues its own log. */
  beginEpoch(epoch: string): void {
    this.database.transaction(() => this.#beginEpoch(epoch));
  }

  #beginEpoch(epoch: string): void {
    writeMeta(this.database, 'epoch', epoch);
    this.database.exec(`INSERT INTO own_epoch (epoch, counter, hash) VALUES (?, 0, '')`, [epoch]);
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
   * the current one (EX9). The first texts are kept aside; the other branch takes their places.
   *
   * @param first - counter of the first operation that the unit does not hold
   * @returns the epoch that holds the branch now
   */
  reissueBranch(epoch: string, first: number, newEpoch: string): string {
    return this.database.transaction(() => {
      if (readMeta<string>(this.database, 'epoch') === epoch) this.#beginEpoch(newEpoch);
      const device = this.ownDevice()?.device ?? '';
      const condition = 'WHERE device = ? AND epoch = ? AND counter >= ? ORDER BY counter';
      const branch = selectOperations(this.database, condition, [device, epoch, first]);
      const again = reissueBranch(branch, this.tip());
      for (const [place, one] of branch.entries()) {
        this.#moveBranch(one, again[place] as Operation);
      }
      this.database.exec(
        `UPDATE own_epoch SET counter = ?, hash = ?, held_by_unit = ?, is_forked = 1
         WHERE epoch = ?`,
        [first - 1, this.ownHashAt(epoch, first - 1) ?? '', first - 1, epoch],
      );
      const last = again.at(-1);
      if (last !== undefined) {
        this.database.exec('UPDATE own_epoch SET counter = ?, hash = ? WHERE epoch = ?', [
          last.counter,
          last.hash,
          last.epoch,
        ]);
      }
      for (const record of new Set(branch.map((one) => one.record))) {
        remergeRecord(this.database, this.catalogue, record);
      }
      this.#readOwnAgain();
      return this.tip().epoch;
    });
  }

  #moveBranch(first: Operation, again: Operation): void {
    const bind = [first.device, first.epoch, first.counter];
    const [row] = this.database.select(
      `SELECT draft_id, taken_in_ms FROM operation
       WHERE device = ? AND epoch = ? AND counter = ?`,
      bind,
    );
    this.database.exec('INSERT OR IGNORE INTO forked_operation VALUES (?, ?, ?, ?, ?, ?)', [
      referenceOf(first),
      first.epoch,
      first.counter,
      writeEnvelope(first),
      first.bodyText ?? '',
      referenceOf(again),
    ]);
    this.database.exec(
      'DELETE FROM operation WHERE device = ? AND epoch = ? AND counter = ?',
      bind,
    );
    const draftId = row?.draft_id == null ? null : String(row.draft_id);
    insertOperation(this.database, again, draftId, Number(row?.taken_in_ms ?? 0));
  }

  /** Begin a new epoch and read every stream again, own entries too: this is an older copy. */
  beginRecovery(newEpoch: string, behind: string): void {
    this.database.transaction(() => {
      if (readMeta<string>(this.database, 'epoch') === behind) this.#beginEpoch(newEpoch);
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

  isOffering(): boolean {
    return readMeta<boolean>(this.database, 'is_offering') === true;
  }

  endOffer(): void {
    writeMeta(this.database, 'is_offering', null);
  }

  /** Return the logs of other devices of which anything is held, by device and epoch. */
  otherLogs(): [device: string, epoch: string][] {
    return this.database
      .select(
        'SELECT DISTINCT device, epoch FROM operation WHERE device <> ? ORDER BY device, epoch',
        [this.ownDevice()?.device ?? ''],
      )
      .map((row) => [String(row.device), String(row.epoch)]);
  }

  /** Return operations of one log after a counter, as they travel. */
  operationsOf(
    device: string,
    epoch: string,
    after: number,
    limit: number,
  ): [envelope: string, body: string][] {
    return selectOperations(
      this.database,
      `WHERE device = ? AND epoch = ? AND counter > ? AND body IS NOT NULL
       ORDER BY counter LIMIT ?`,
      [device, epoch, after, limit],
    ).map((operation) => [writeEnvelope(operation), operation.bodyText ?? '']);
  }

  /** A sentence about this tablet's own store that a person has to know, "" when none. */
  notice(): string {
    return readMeta<string>(this.database, 'notice') ?? '';
  }

  giveNotice(sentence: string): void {
    writeMeta(this.database, 'notice', sentence === '' ? null : sentence);
  }

  hasForkedEpoch(): boolean {
    return this.database.select('SELECT 1 FROM own_epoch WHERE is_forked = 1').length > 0;
  }

  /** Return up to `limit` own operations of an epoch from a counter on, as they travel. */
  ownOperations(epoch: string, from: number, limit: number): [envelope: string, body: string][] {
    return this.operationsOf(this.ownDevice()?.device ?? '', epoch, from - 1, limit);
  }

  cursors(): Record<string, number> {
    return Object.fromEntries(
      this.database
        .select('SELECT stream, after FROM cursor')
        .map((row) => [String(row.stream), Number(row.after)]),
    );
  }

  /** Read a stream (or all) from its start again: repeats change nothing (LG3). */
  resetCursors(stream: string | null = null): void {
    if (stream === null) this.database.exec('DELETE FROM cursor', []);
    else this.database.exec('DELETE FROM cursor WHERE stream = ?', [stream]);
  }

  /** Return how many own operations the unit does not hold, and when the oldest was written. */
  unsent(): { count: number; oldestMs: number | null } {
    const [row] = this.database.select(
      `SELECT count(*) AS count, min(taken_in_ms) AS oldest FROM (${UNSENT})`,
      [this.ownDevice()?.device ?? ''],
    );
    return {
      count: Number(row?.count ?? 0),
      oldestMs: row?.oldest == null ? null : Number(row.oldest),
    };
  }
}
