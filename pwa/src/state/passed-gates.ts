/**
 * The gates that a case went past, in the words of their rows, for Close-out and its print
 * (GATE-02). Pure.
 */
import { RuleFileError } from '../clinical-rules/errors';
import { GATES, OTHER_REASON, readGateRow } from '../clinical-rules/gates';
import type { RuleBook } from '../clinical-rules/rule-book';
import type { Override } from './override';
import { type Json, type RecordState, structureOf, textOf, valuesOf } from './shown';

export interface PassedGate {
  /** Of the record and its place in it, to tell lines apart. */
  key: string;
  gate: string;
  /** What the row says that passing it leaves. */
  leaves: string;
  /** The text that was on screen, "" where it was not passed but recorded all the same. */
  textShown: string;
  /** Reason in words, "" where nobody gave one: then the act was recorded while the gate stood. */
  reason: string;
  /** Staff records; `secondPerson` "" where none was asked for. */
  by: string;
  secondPerson: string;
  at: string;
}

type Row = ReturnType<typeof readGateRow>;

/**
 * Return what was passed, oldest first: at the bedside, then with the signature.
 *
 * @param notHeld - says a gate whose row is held here by no rule file
 */
export function passedGates(
  stepEvents: readonly RecordState[],
  signature: RecordState | null,
  ruleBook: RuleBook,
  otherReason: string,
  notHeld: (gate: string) => string,
): PassedGate[] {
  const rows = readRows(ruleBook);
  const rowOf = (cause: string) => {
    const [gate, when] = cause.split(' ', 2);
    return rows.find((row) => row.id === gate && row.when === when);
  };
  const told = (record: RecordState, field: string, held: Json, place: number): PassedGate[] => {
    const override = held as unknown as Partial<Override> | null;
    if (typeof override?.gate !== 'string') return [];
    const row = rowOf(override.cause ?? override.gate);
    const reason = row?.reasons.find(({ id }) => id === override.reason)?.words;
    return [
      {
        key: `${record.record} ${place}`,
        gate: override.gate,
        leaves: row?.leaves ?? notHeld(override.gate),
        textShown: override.text_shown ?? '',
        reason:
          reason ?? (override.reason === OTHER_REASON ? otherReason : (override.reason ?? '')),
        by: valuesOf(record, field).at(-1)?.by ?? '',
        secondPerson: override.second_person ?? '',
        at: textOf(record, 'at'),
      },
    ];
  };
  const standing = stepEvents.filter((event) => !event.isEnteredInError);
  const atBedside = standing.flatMap((event) => [
    ...told(event, 'override', structureOf(event, 'override'), 0),
    ...recordedAllTheSame(event, rowOf, notHeld),
  ]);
  const signed = structureOf(signature, 'outcome')?.overrides;
  const withSignature =
    signature === null || !Array.isArray(signed)
      ? []
      : signed.flatMap((held, place) => told(signature, 'outcome', held as Json, place));
  return [...atBedside, ...withSignature];
}

/** What was recorded while a gate stood: recording is never refused (GATE-00). */
function recordedAllTheSame(
  event: RecordState,
  rowOf: (cause: string) => Row | undefined,
  notHeld: (gate: string) => string,
): PassedGate[] {
  const cause = structureOf(event, 'answers')?.gate_stood;
  if (typeof cause !== 'string' || cause === '') return [];
  const row = rowOf(cause);
  const [gate = cause] = cause.split(' ', 1);
  return [
    {
      key: `${event.record} stood`,
      gate,
      leaves: row?.leaves ?? notHeld(gate),
      textShown: '',
      reason: '',
      by: valuesOf(event, 'answers').at(-1)?.by ?? '',
      secondPerson: '',
      at: textOf(event, 'at'),
    },
  ];
}

function readRows(ruleBook: RuleBook): readonly Row[] {
  try {
    return ruleBook.ruleFileOrListed(GATES, readGateRow).rows;
  } catch (error) {
    if (error instanceof RuleFileError) return [];
    throw error;
  }
}
