/** The exchange, decided: message in, decision out; twin of `sync/exchange.py`. */
import type { Tip } from './operation-log';

/** Counted up with whatever is said otherwise in the exchange (EX24). */
export const PROTOCOL_VERSION = 1;
export const MAX_BATCH_BYTES = 262_144;
export const MAX_BATCH_COUNT = 1_000;
/** First batch and page of a round: small enough for a weak line that breaks often (EX14). */
export const FIRST_BATCH_BYTES = 16_384;
export const FIRST_PAGE_COUNT = 100;

/** What a device says first (EX1). Keys as on the wire. */
export interface Handshake {
  device: string;
  tip: Tip;
  cursors: Record<string, number>;
  catalogue: number;
  wall_ms: number;
  /** Left out before the unit has said that it compares it (EX20). */
  last_read?: Record<string, LastRead>;
}

/** The last entry of others that this device read of a stream (EX20). */
export interface LastRead {
  /** Receipt number up to which the stream had been read then. */
  after: number;
  hash: string;
}

/** What the server says back (EX1). Keys as on the wire. */
export interface HandshakeAnswer {
  server: string;
  tip: Tip;
  hash_at_device_tip: string | null;
  heads: Record<string, number>;
  wall_ms: number;
  /** Up to which counter the unit holds each log under the device's name (EX9). */
  epochs?: Record<string, number>;
  /** The unit reads and writes rows; one of an older release does not (EX18). */
  rows?: boolean;
  /** How what was last read agrees with what the unit holds; one of an older release says nothing. */
  last_read?: 'agrees' | 'differs';
  /** The unit reads heads that others signed and hands them out (SG12); one of an older release not. */
  signed_heads?: boolean;
}

export type Comparison =
  | { standing: 'in_step' | 'device_behind' | 'fork' }
  | { standing: 'send'; sendFrom: number };

/**
 * Decide what a device does after the handshake (EX2-EX4).
 *
 * @param ownHashAtServerTip - hash of the device's own operation at the server's tip; "" at
 *   counter 0; null when the device does not reach so far
 */
export function compareTips(
  own: Tip,
  answer: HandshakeAnswer,
  ownHashAtServerTip: string | null,
): Comparison {
  if (answer.tip.counter > own.counter) {
    const isSame = own.counter === 0 || answer.hash_at_device_tip === own.hash;
    return { standing: isSame ? 'device_behind' : 'fork' };
  }
  if (ownHashAtServerTip !== answer.tip.hash) return { standing: 'fork' };
  if (answer.tip.counter === own.counter) return { standing: 'in_step' };
  return { standing: 'send', sendFrom: answer.tip.counter + 1 };
}

/**
 * Return how many operations, of the given sizes in bytes, fit in the next batch (EX5).
 *
 * @param mostBytes - less than a whole batch at the start of a round (EX14)
 */
export function cutBatch(sizes: readonly number[], mostBytes = MAX_BATCH_BYTES): number {
  let total = 0;
  for (const [count, size] of sizes.slice(0, MAX_BATCH_COUNT).entries()) {
    total += size;
    if (total > mostBytes && count > 0) return count;
  }
  return Math.min(sizes.length, MAX_BATCH_COUNT);
}
