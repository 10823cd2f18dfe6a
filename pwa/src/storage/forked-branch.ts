/** The own branch of a fork, moved to another epoch; the other branch takes its places (EX9). */
import { type Operation, referenceOf, writeEnvelope } from '../sync/operation';
import type { Tip } from '../sync/operation-log';
import { reissueBranch } from '../sync/reissue';
import { tell } from '../told';
import type { Database } from './database';
import {
  deleteOperation,
  heldHash,
  insertOperation,
  logNumber,
  operationsFrom,
  type Place,
} from './operation-rows';
import { moveTip } from './own-log-rows';
import { setAside } from './quarantine';

/** As a limit of SQLite: none. */
const ALL = -1;

/** What became of a branch. */
export interface MovedBranch {
  records: readonly string[];
  /** What a person has to know, "" when everything was written again. */
  sentence: string;
}

/**
 * Write the operations from a place on again at the end of another log and keep the first texts.
 *
 * What was dropped here has no text to write again: its envelope is kept aside, with a sentence.
 */
export function moveBranch(database: Database, from: Place, tip: Tip): MovedBranch {
  const branch = operationsFrom(database, from, ALL);
  const dropped = branch.filter((one) => one.bodyText === null);
  const whole = branch.filter((one) => one.bodyText !== null);
  const again = reissueBranch(whole, tip);
  const origins = branch.map((one) => originOf(database, one));
  for (const one of [...branch].reverse()) deleteOperation(database, one);
  for (const one of dropped) keepEnvelope(database, one);
  for (const [place, one] of again.entries()) {
    const first = whole[place] as Operation;
    const { draftId, takenInMs } = origins[branch.indexOf(first)] as Origin;
    keepFirst(database, first, one);
    insertOperation(database, one, draftId, takenInMs);
  }
  database.exec(
    `UPDATE own_epoch SET counter = ?, hash = ?, held_by_unit = ?, is_forked = 1 WHERE epoch = ?`,
    [
      from.counter - 1,
      heldHash(database, from.device, from.epoch, from.counter - 1) ?? '',
      from.counter - 1,
      from.epoch,
    ],
  );
  const last = again.at(-1);
  if (last !== undefined) moveTip(database, last);
  return {
    records: [...new Set(branch.map((one) => one.record))],
    sentence: dropped.length === 0 ? '' : tell('unitOther', { count: dropped.length }),
  };
}

interface Origin {
  draftId: string | null;
  takenInMs: number;
}

function originOf(database: Database, { device, epoch, counter }: Operation): Origin {
  const [row] = database.select(
    'SELECT draft_id, taken_in_ms FROM operation WHERE log = ? AND counter = ?',
    [logNumber(database, device, epoch), counter],
  );
  return {
    draftId: row?.draft_id == null ? null : String(row.draft_id),
    takenInMs: Number(row?.taken_in_ms ?? 0),
  };
}

function keepFirst(database: Database, first: Operation, again: Operation): void {
  database.exec('INSERT OR IGNORE INTO forked_operation VALUES (?, ?, ?, ?, ?, ?)', [
    referenceOf(first),
    first.epoch,
    first.counter,
    writeEnvelope(first),
    first.bodyText ?? '',
    referenceOf(again),
  ]);
}

function keepEnvelope(database: Database, { opId, ...operation }: Operation): void {
  const sentence = tell('droppedVersion', { entry: opId });
  const [row] = database.select('SELECT max(taken_in_ms) AS ms FROM operation');
  const envelope = writeEnvelope({ opId, ...operation });
  setAside(database, 'tablet', opId, envelope, null, sentence, Number(row?.ms ?? 0));
}
