/**
 * Stamps of a hybrid logical clock: sortable text, later than anything seen. Twin of `clock.py`.
 *
 * Stamps order operations for display only; what replaces what is said by `over` (SPEC MG2).
 * No wall clock is read here: the caller passes it in.
 */

export const DAY_MS = 86_400_000;
/** HC4: nobody else's clock may push ours further than this past the wall clock. */
export const MAX_LEAD_MS = DAY_MS;
export const MAX_COUNTER = 99_999;

const STAMP = /^([0-9]{15})\.([0-9]{5})\.([a-z0-9-]{1,32})$/;

/** One reading of the hybrid logical clock. */
export interface Stamp {
  wallMs: number;
  counter: number;
  device: string;
}

/** Return the sortable text: 15 digits, 5 digits, device (HC1). */
export function writeStamp(stamp: Stamp): string {
  const wall = String(stamp.wallMs).padStart(15, '0');
  return `${wall}.${String(stamp.counter).padStart(5, '0')}.${stamp.device}`;
}

/** Return the stamp that the text holds, or null when it holds none. */
export function readStamp(text: string): Stamp | null {
  const found = STAMP.exec(text);
  if (found === null) return null;
  return { wallMs: Number(found[1]), counter: Number(found[2]), device: found[3] ?? '' };
}

/** Compare by wall time, then counter, then device: below 0 when `one` is the earlier. */
export function compareStamps(one: Stamp, other: Stamp): number {
  if (one.wallMs !== other.wallMs) return one.wallMs - other.wallMs;
  if (one.counter !== other.counter) return one.counter - other.counter;
  return one.device < other.device ? -1 : one.device > other.device ? 1 : 0;
}

/**
 * Return the stamp of the next operation made on this device.
 *
 * Always later than `previous`, also when the wall clock has jumped back. Never refuses: a clock
 * error is no reason to stop work. Rules HC1-HC3. Twin of `next_stamp`.
 *
 * @param previous - latest stamp this device issued or took notice of; null on a new device
 * @param wallMs - wall clock, whole milliseconds since 1970-01-01T00:00Z
 *
 * Kulkarni, Demirbas, Madappa, Avva, Leone: Logical Physical Clocks. OPODIS 2014.
 */
export function nextStamp(previous: Stamp | null, wallMs: number, device: string): Stamp {
  if (previous === null || wallMs > previous.wallMs) return { wallMs, counter: 0, device };
  if (previous.counter >= MAX_COUNTER) return { wallMs: previous.wallMs + 1, counter: 0, device };
  return { wallMs: previous.wallMs, counter: previous.counter + 1, device };
}

/**
 * Return the later of both stamps, unless the received one lies too far ahead (HC4).
 *
 * The operation itself is taken in all the same.
 */
export function takeNotice(own: Stamp | null, received: Stamp, wallMs: number): Stamp | null {
  if (isFarAhead(received, wallMs)) return own;
  return own === null || compareStamps(received, own) > 0 ? received : own;
}

/** Say whether a stamp lies more than `MAX_LEAD_MS` past the wall clock (HC4). */
export function isFarAhead(stamp: Stamp, wallMs: number): boolean {
  return stamp.wallMs > wallMs + MAX_LEAD_MS;
}
