/**
 * What people opened and unlocked on this tablet: a chain of lines that is sent to the unit (AU4).
 *
 * Each line names the hash of the one before, so that none can be taken out unseen once the unit
 * holds a later one. They name records by their ids and nobody by a name.
 */
import { hashText } from '../sync/operation';
import type { Database } from './database';
import { readMeta, writeMeta } from './meta-rows';

export type AccessOutcome = 'done' | 'refused' | 'wrong' | 'waiting' | 'removed';

/** One access, as it is noted here. */
export interface AccessNote {
  /** `staff/<id>`, "" where nobody is known. */
  person: string;
  role: string;
  /** What was done: `read`, `unlock`, `check-pin`, ... */
  verb: string;
  object: string;
  records: readonly string[];
  why: string;
  outcome: AccessOutcome;
}

interface Tip {
  chain: string;
  counter: number;
  hash: string;
}

export interface LinesOfChain {
  chain: string;
  lines: string[];
}

const TIP = 'access_tip';
const OPENED = 'access_opened';
/** Unit setting (project default): the same person at the same patient is one access so long. */
export const ONE_ACCESS_MS = 15 * 60_000;
const MOST_LETTERS = 500;

/**
 * Note one access as the next line of the chain.
 *
 * @param atMs - wall clock of this tablet, milliseconds since 1970-01-01T00:00Z
 * @param newChain - names the chain where this store has none yet
 */
export function noteAccess(
  database: Database,
  device: string,
  note: AccessNote,
  atMs: number,
  newChain: () => string,
): void {
  database.transaction(() => {
    const tip = readMeta<Tip>(database, TIP) ?? { chain: newChain(), counter: 0, hash: '' };
    const counter = tip.counter + 1;
    const line = JSON.stringify({
      device,
      chain: tip.chain,
      counter,
      previous: tip.hash,
      at_ms: atMs,
      person: note.person,
      role: note.role,
      verb: note.verb,
      object: note.object,
      records: note.records,
      why: note.why.slice(0, MOST_LETTERS),
      outcome: note.outcome,
    });
    database.exec('INSERT INTO access_line (chain, counter, line) VALUES (?, ?, ?)', [
      tip.chain,
      counter,
      line,
    ]);
    writeMeta(database, TIP, { chain: tip.chain, counter, hash: hashText(line) });
  });
}

/**
 * Say whether somebody's look at a patient is a new access, and take notice of it (AU6).
 *
 * A clock that was put back makes it a new one: rather one line too many.
 */
export function isNewAccess(
  database: Database,
  person: string,
  patient: string,
  atMs: number,
): boolean {
  const held = readMeta<Record<string, number>>(database, OPENED) ?? {};
  const isWithin = (ms: number) => atMs >= ms && atMs - ms < ONE_ACCESS_MS;
  const key = `${person} ${patient}`;
  if (key in held && isWithin(held[key] as number)) return false;
  const left = Object.fromEntries(Object.entries(held).filter(([, ms]) => isWithin(ms)));
  writeMeta(database, OPENED, { ...left, [key]: atMs });
  return true;
}

/** Return the oldest lines that the unit does not hold, of one chain; null when there are none. */
export function linesToSend(database: Database, most: number): LinesOfChain | null {
  const rows = database.select(
    `SELECT chain, line FROM access_line
     WHERE chain = (SELECT chain FROM access_line ORDER BY seq LIMIT 1) ORDER BY counter LIMIT ?`,
    [most],
  );
  const [first] = rows;
  if (first === undefined) return null;
  return { chain: String(first.chain), lines: rows.map((row) => String(row.line)) };
}

/** Drop the lines that the unit holds; where the chain ends is kept. */
export function dropLines(database: Database, chain: string, held: number): void {
  database.exec('DELETE FROM access_line WHERE chain = ? AND counter <= ?', [chain, held]);
}
