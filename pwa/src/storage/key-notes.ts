/**
 * What was done with PINs on this tablet, noted for the unit (AU4).
 *
 * A wrong PIN is tried while the records are locked: until they are open it is kept in a note of
 * the key ring, which survives a reload. It names who and when, and no patient.
 */
import type { AccessNote, AccessOutcome } from './access-rows';
import type { KeyRing } from './key-ring';
import type { KeyCall } from './tablet-holder';

const NAME = 'access-notes';
/** Beyond so many the oldest go; the ring itself ends a row of wrong PINs long before. */
const MOST_KEPT = 100;

/** A note with the time of the tablet's clock at which it was made, milliseconds. */
export type TimedNote = AccessNote & { atMs: number };

/** What is noted of each call, and of what; calls that are left out change nothing and say nothing. */
const VERBS: Partial<Record<KeyCall, string>> = {
  unlock: 'unlock',
  checkPin: 'check-pin',
  addPerson: 'add-pin',
  changePin: 'change-pin',
  removePerson: 'remove-pin',
  startEmergency: 'emergency',
  recover: 'recover-key',
  lock: 'lock',
};

const OUTCOMES: Readonly<Record<string, AccessOutcome>> = {
  wrong: 'wrong',
  waiting: 'waiting',
  removed: 'removed',
  refused: 'refused',
  waits: 'waiting',
  unheard: 'refused',
};

export class KeyNotes {
  readonly #ring: Pick<KeyRing, 'note' | 'keepNote'>;
  readonly #nowMs: () => number;

  constructor(ring: Pick<KeyRing, 'note' | 'keepNote'>, nowMs: () => number) {
    this.#ring = ring;
    this.#nowMs = nowMs;
  }

  /** Keep a note of a call on the keys and how it ended. */
  async keep(call: KeyCall, given: readonly unknown[], answer: unknown): Promise<void> {
    const verb = VERBS[call];
    if (verb === undefined || isAskedAgain(call, given, answer)) return;
    const note: TimedNote = {
      person: personIn(given[0]),
      role: '',
      verb,
      object: 'tablet',
      records: [],
      why: '',
      outcome: outcomeOf(call, answer),
      atMs: this.#nowMs(),
    };
    await this.#ring.keepNote(NAME, JSON.stringify([...this.#kept(), note].slice(-MOST_KEPT)));
  }

  /** Hand over what was kept, oldest first, now that the records are open. */
  async handOver(take: (note: AccessNote, atMs: number) => void): Promise<void> {
    const kept = this.#kept();
    if (kept.length === 0) return;
    for (const { atMs, ...note } of kept) take(note, atMs);
    await this.#ring.keepNote(NAME, null);
  }

  #kept(): TimedNote[] {
    return JSON.parse(this.#ring.note(NAME) ?? '[]') as TimedNote[];
  }
}

/** A tablet that waits for its digits asks by itself, every few seconds: that is no act of a person. */
function isAskedAgain(call: KeyCall, given: readonly unknown[], answer: unknown): boolean {
  const kind = String((answer as { kind?: unknown } | undefined)?.kind);
  return call === 'recover' && !given[0] && ['waits', 'unheard'].includes(kind);
}

/** `removed` is what was asked for where a person is removed, and a refusal where one unlocks. */
function outcomeOf(call: KeyCall, answer: unknown): AccessOutcome {
  const kind = (answer as { kind?: unknown } | undefined)?.kind;
  if (call === 'removePerson' && kind === 'removed') return 'done';
  return OUTCOMES[String(kind)] ?? 'done';
}

function personIn(given: unknown): string {
  const named = typeof given === 'object' ? (given as { staff?: unknown } | null)?.staff : given;
  return typeof named === 'string' && named.startsWith('staff/') ? named : '';
}
