/** Laboratory values of a case: fixed units, the latest of each, and what is asked about it. Pure. */
import { tellLabAlso } from '../clinical-rules/lab-units';
import type { RuleBook } from '../clinical-rules/rule-book';
import type { Json, RecordState } from '../ports';
import type { NumberRules } from './number-entry';
import { idOf, isInConflict, structureOf, textOf } from './shown';

export type LabOrigin = 'measured' | 'estimated' | 'earlier-record';

export interface LabKind {
  analyte: string;
  /** As recorded and as the rules take it; its usual band stands in `measurements/usual_bands`. */
  unit: string;
  /** As people read it. */
  unitShown: string;
  rules: NumberRules;
}

const kind = (
  analyte: string,
  unit: string,
  unitShown: string,
  decimals: number,
  largest: number,
): LabKind => ({
  analyte,
  unit,
  unitShown,
  rules: { decimals, largestMilli: largest * 1000 },
});

/** The one unit of each value at the bedside (HAZ-51). */
export const LAB_KINDS: readonly LabKind[] = [
  kind('bilirubin', 'umol/L', 'µmol/L', 1, 1500),
  kind('albumin', 'g/L', 'g/L', 1, 80),
  kind('creatinine', 'umol/L', 'µmol/L', 1, 2000),
  kind('inr', 'ratio', 'ratio', 2, 15),
  kind('sodium', 'mmol/L', 'mmol/L', 0, 200),
  kind('platelets', '10*9/L', '×10⁹/L', 0, 2000),
  kind('haemoglobin', 'g/L', 'g/L', 0, 250),
  kind('urea', 'mmol/L', 'mmol/L', 1, 80),
];

export interface LabShown {
  kind: LabKind;
  /** The latest record of it, null when none stands. */
  state: RecordState | null;
  milli: number | null;
  unit: string;
  origin: LabOrigin | null;
  takenOn: string;
  isConflict: boolean;
  /** The same in the other unit that is in use for it, "" for none: to read, not to calculate with. */
  also: string;
}

/** Return the same amount with its unit as people read it, "" where one unit alone is in use. */
export type TellAlso = (analyte: string, milli: number, unit: string) => string;

/** Tell an amount in the other unit by the factors of a rule book (HAZ-51). */
export function alsoBy(book: RuleBook): TellAlso {
  return (analyte, milli, unit) => {
    const [digits, other] = tellLabAlso(analyte, milli, unit, book) ?? ['', ''];
    return digits === '' ? '' : `${digits} ${unitShownOf(other)}`;
  };
}

/** Return the latest standing record of each value, in the order of `LAB_KINDS`. */
export function latestLabs(
  labs: readonly RecordState[],
  tellAlso: TellAlso = () => '',
): LabShown[] {
  return LAB_KINDS.map((kind) => {
    const state = labs
      .filter((lab) => !lab.isEnteredInError && textOf(lab, 'analyte') === kind.analyte)
      .sort((one, other) => (isLater(one, other) ? -1 : 1))[0];
    return labShown(kind, state ?? null, tellAlso);
  });
}

/** Return the unit as people read it. */
export function unitShownOf(unit: string): string {
  const known = LAB_KINDS.find((kind) => kind.unit === unit);
  return known?.unitShown ?? unit;
}

export interface LabEntry {
  /** `lab_result/<id>`: the record that takes the number. */
  record: string;
  /** As drawn, null for a new record. */
  onScreen: RecordState | null;
  result: Record<string, Json>;
}

/**
 * Return where a number that was just pressed goes.
 *
 * A number of another day is a new record; else it corrects the one that is there. Ids follow
 * from case, analyte and turn, so that two tablets writing the first sodium meet in one record.
 *
 * @param batch - what was pressed once for all numbers of this sitting, null where it was not
 */
export function placeLab(
  caseRecord: string,
  labs: readonly RecordState[],
  lab: LabShown,
  milli: number,
  batch: { origin: LabOrigin | null; takenOn: string },
): LabEntry {
  const isNewDay = batch.takenOn !== '' && lab.takenOn !== '' && batch.takenOn !== lab.takenOn;
  const turn = labs.filter((known) => textOf(known, 'analyte') === lab.kind.analyte).length + 1;
  const isNew = lab.state === null || isNewDay;
  const origin = batch.origin ?? (isNew ? null : lab.origin);
  const takenOn = batch.takenOn || (isNew ? '' : lab.takenOn);
  return {
    record:
      isNew || lab.state === null
        ? `lab_result/${idOf(caseRecord)}-${lab.kind.analyte}-${turn}`
        : lab.state.record,
    onScreen: isNew ? null : lab.state,
    result: {
      value_milli: milli,
      unit: lab.kind.unit,
      ...(origin === null ? {} : { origin }),
      ...(takenOn === '' ? {} : { taken_on: takenOn }),
    },
  };
}

function labShown(kind: LabKind, state: RecordState | null, tellAlso: TellAlso): LabShown {
  const result = structureOf(state, 'result');
  const milli = result?.value_milli;
  const origin = result?.origin;
  const unit = typeof result?.unit === 'string' ? result.unit : kind.unit;
  return {
    kind,
    state,
    milli: typeof milli === 'number' ? milli : null,
    unit,
    origin:
      origin === 'measured' || origin === 'estimated' || origin === 'earlier-record'
        ? origin
        : null,
    takenOn: typeof result?.taken_on === 'string' ? result.taken_on : '',
    isConflict: isInConflict(state, 'result'),
    also: typeof milli === 'number' ? tellAlso(kind.analyte, milli, unit) : '',
  };
}

function isLater(one: RecordState, other: RecordState): boolean {
  const on = (state: RecordState) => String(structureOf(state, 'result')?.taken_on ?? '');
  const last = (state: RecordState) => state.fields.result?.values.at(-1)?.stamp ?? '';
  if (on(one) !== on(other)) return on(one) > on(other);
  return last(one) > last(other);
}
