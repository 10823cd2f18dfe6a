/**
 * Alarms of the exchange: how each is named, and which of them a person has seen to.
 * Twin of `alarms.py`.
 *
 * What could not be taken in stays set aside for ever; whether somebody has looked into it is a
 * decision like any other, which travels with the record (CF5, CF6 in `sync/SPEC.md`).
 */
import { sha256 } from '@noble/hashes/sha2.js';
import { bytesToHex, utf8ToBytes } from '@noble/hashes/utils.js';
import { readStamp } from '../sync/clock';
import { type FieldState, type RecordState, shownValue } from '../sync/merge';

export const SEEN_TO = 'seen-to';

/** Who said last that he has seen to an alarm, when (wall milliseconds of his device), why. */
export interface SeenTo {
  by: string;
  written_ms: number;
  because: string[];
}

const digestOf = (text: string) => bytesToHex(sha256(utf8ToBytes(text)));

/** Return the name of the alarm about a text that was set aside: the same one everywhere. */
export function nameSetAside(envelope: string, body: string | null): string {
  return `alarm/${digestOf(`${envelope}\n${body ?? ''}`)}`;
}

/** Return the name of the alarm that two devices have written one log. */
export function nameFork(device: string, epoch: string): string {
  return `fork/${device}.${epoch}`;
}

/** Return the record of the decision on these alarms: the same one on every device (CF6). */
export function seenToRecord(names: Iterable<string>): string {
  // Names are ASCII: the default order is that of the twin.
  const digest = digestOf([...new Set(names)].sort().join('\n'));
  return `decision/alarm-${digest.slice(0, 32)}`;
}

/**
 * Return who has seen to what, by the alarm's name; of several people the last (CF5, CF6).
 *
 * A decision that gives no reason closes nothing: the alarm stays open until one is given.
 *
 * @param decisions - records of kind `decision`, of every sort, in any order
 */
export function findSeenTo(decisions: Iterable<RecordState>): Map<string, SeenTo> {
  const found = new Map<string, SeenTo>();
  const ordered = [...decisions].sort((a, b) => (a.record < b.record ? -1 : 1));
  for (const state of ordered) {
    const seen = readSeenTo(state);
    if (seen === null) continue;
    for (const name of namesIn(state.fields.about)) {
      const before = found.get(name);
      if (before === undefined || seen.written_ms > before.written_ms) found.set(name, seen);
    }
  }
  return found;
}

function readSeenTo({ fields }: RecordState): SeenTo | null {
  const [said] = fields.verdict?.values ?? [];
  if (said === undefined || shownValue(fields.verdict) !== SEEN_TO) return null;
  const because = textsIn((fields.because?.values ?? []).map((held) => held.value)).filter(
    (text) => text !== '',
  );
  if (because.length === 0) return null;
  return { by: said.by, written_ms: readStamp(said.stamp)?.wallMs ?? 0, because };
}

/** What a decision names; a device may write anything into a field. */
function namesIn(about: FieldState | undefined): string[] {
  return (about?.values ?? []).flatMap(({ value }) => (Array.isArray(value) ? textsIn(value) : []));
}

const textsIn = (values: readonly unknown[]) =>
  values.filter((one): one is string => typeof one === 'string');
