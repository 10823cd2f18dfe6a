/** What the Workup screen asks of the record and of the rules. Pure. */
import type { Json, RecordState } from '../ports';
import { isInConflict, listOf, numberOf, shown, structureOf, textOf } from './shown';
import type { LabShown } from './workup-labs';

type MaybeState = RecordState | null;

/** What a score was computed from; its words are made where it is shown. */
export type ScoreInput =
  | { kind: 'lab'; key: string; lab: LabShown }
  | { kind: 'finding'; field: string; answer: Json }
  | { kind: 'sex'; sex: string }
  | { kind: 'age'; years: number }
  | { kind: 'weight'; grams: number };

export interface ScoresQuestion {
  /** Keys of `liver-scores`. */
  request: Record<string, Json>;
  /** Request key to what it was taken from. */
  inputs: Record<string, ScoreInput>;
  /** Request keys whose value is not a measured one. */
  notMeasured: string[];
  /** Fields left out because two answers wait (HARD-06). */
  inConflict: string[];
}

const HOLDS_FIELDS = ['indication', 'antithrombotics', 'procedure_on'];
const LAB_KEYS: Record<string, string> = { inr: 'inr', sodium: 'sodium_mmol_l' };

/**
 * Return the request for the liver scores from what is shown; what is not entered is left out.
 *
 * A number without an origin is left out too: nobody has said that it was measured (HAZ-09).
 */
export function askLiverScores(
  caseState: MaybeState,
  patient: MaybeState,
  labs: readonly LabShown[],
  today: string,
): ScoresQuestion {
  const question: ScoresQuestion = { request: {}, inputs: {}, notMeasured: [], inConflict: [] };
  const take = (key: string, content: Json, from: ScoreInput) => {
    question.request[key] = content;
    question.inputs[key] = from;
  };
  for (const lab of labs) {
    const key = LAB_KEYS[lab.kind.analyte] ?? lab.kind.analyte;
    if (lab.isConflict) question.inConflict.push(lab.kind.analyte);
    if (lab.milli === null || lab.origin === null || lab.kind.analyte === 'platelets') continue;
    const isBare = key === 'inr' || key === 'sodium_mmol_l';
    const amount = lab.milli / 1000;
    take(key, isBare ? amount : { value: amount, unit: lab.unit }, { kind: 'lab', key, lab });
    if (lab.origin !== 'measured') question.notMeasured.push(key);
  }
  for (const field of ['ascites', 'encephalopathy', 'dialysis']) {
    if (isInConflict(caseState, field)) question.inConflict.push(field);
    const answer = shown(caseState, field);
    if (answer === undefined) continue;
    take(field, answer, { kind: 'finding', field, answer });
  }
  const sex = textOf(patient, 'sex');
  if (sex !== '') take('sex', sex, { kind: 'sex', sex });
  const on = textOf(caseState, 'procedure_on') || today;
  const age = ageOn(textOf(patient, 'born_on'), on);
  if (age !== null) take('age_years', age, { kind: 'age', years: age });
  const weight = numberOf(caseState, 'weight_g');
  if (weight !== null) take('weight_kg', weight / 1000, { kind: 'weight', grams: weight });
  return question;
}

/** Return whole years lived on a day, null without a date of birth. */
export function ageOn(bornOn: string, on: string): number | null {
  if (!/^\d{4}-\d{2}-\d{2}$/.test(bornOn) || bornOn > on) return null;
  const years = Number(on.slice(0, 4)) - Number(bornOn.slice(0, 4));
  return on.slice(5) < bornOn.slice(5) ? years - 1 : years;
}

export type HoldsQuestion =
  | { kind: 'ask'; request: Record<string, Json> }
  | { kind: 'missing'; fields: ('drugs' | 'procedure_on' | 'urgent')[] }
  /** Fields in which two answers wait: no day is computed (HARD-06). */
  | { kind: 'conflict'; fields: string[] }
  | { kind: 'none-taken' }
  | { kind: 'team-decides' };

/**
 * Return what to ask about antithrombotic drugs.
 *
 * @param unitProfile - the profile in force at the unit, used where the case names none
 * @param clearance - creatinine clearance in mL/min as computed, null when unknown
 */
export function askHolds(
  caseState: MaybeState,
  unitProfile: string,
  clearance: number | null,
): HoldsQuestion {
  const entered = structureOf(caseState, 'antithrombotics');
  const on = textOf(caseState, 'procedure_on');
  if (entered?.urgent === true || shown(caseState, 'indication') === 'acute-bleed') {
    return { kind: 'team-decides' };
  }
  const inConflict = HOLDS_FIELDS.filter((field) => isInConflict(caseState, field));
  if (inConflict.length > 0) return { kind: 'conflict', fields: inConflict };
  const drugs = drugsOf(caseState);
  if (drugs !== null && drugs.length === 0) return { kind: 'none-taken' };
  const fields: ('drugs' | 'procedure_on' | 'urgent')[] = [];
  if (drugs === null) fields.push('drugs');
  if (on === '') fields.push('procedure_on');
  if (typeof entered?.urgent !== 'boolean') fields.push('urgent');
  if (fields.length > 0 || drugs === null) return { kind: 'missing', fields };
  return {
    kind: 'ask',
    request: {
      profile: profileOf(caseState, unitProfile),
      procedure_on: on,
      urgent: false,
      ...(clearance === null ? {} : { creatinine_clearance_ml_per_min: clearance }),
      drugs,
    },
  };
}

/** Return the drugs pressed, null when nobody has answered; an empty list says "none". */
export function drugsOf(caseState: MaybeState): string[] | null {
  const drugs = structureOf(caseState, 'antithrombotics')?.drugs;
  return Array.isArray(drugs) ? (drugs as Json[]).map(String) : null;
}

/** Return the hold profile of the case, else the unit's. */
export function profileOf(caseState: MaybeState, unitProfile: string): string {
  const profile = structureOf(caseState, 'antithrombotics')?.profile;
  return typeof profile === 'string' ? profile : unitProfile;
}

/** Return a list with one answer more or less; an answer that excludes the rest stands alone. */
export function toggleAnswer(
  now: readonly string[],
  pressed: string,
  alone: readonly string[],
): string[] {
  if (now.includes(pressed)) return now.filter((answer) => answer !== pressed);
  if (alone.includes(pressed)) return [pressed];
  return [...now.filter((answer) => !alone.includes(answer)), pressed];
}

export type OpenPart =
  | 'indication'
  | 'varix_class'
  | 'right_to_left_shunt'
  | 'allergies'
  | 'liver'
  | 'antithrombotics'
  | 'procedure_on'
  | 'airway'
  | 'consent'
  | 'antibiotic'
  | 'conflict';

export const WORKUP_PARTS = ['history', 'liver', 'drugs', 'agreements'] as const;
export type WorkupPart = (typeof WORKUP_PARTS)[number];

/** Where each open item is entered; `conflict` can stand anywhere. */
export const PART_OF_ITEM: Record<OpenPart, WorkupPart | null> = {
  indication: 'history',
  varix_class: 'history',
  right_to_left_shunt: 'history',
  allergies: 'history',
  liver: 'liver',
  antithrombotics: 'drugs',
  procedure_on: 'drugs',
  airway: 'agreements',
  consent: 'agreements',
  antibiotic: 'agreements',
  conflict: null,
};

/** Return what the workup still lacks, in the order of the panels; a reminder, never a gate. */
export function openParts(caseState: MaybeState, labs: readonly LabShown[]): OpenPart[] {
  const lacks = (field: string) => shown(caseState, field) === undefined;
  const part = (field: string, name: string) =>
    typeof structureOf(caseState, field)?.[name] !== 'string';
  const open: OpenPart[] = [];
  for (const field of ['indication', 'varix_class', 'right_to_left_shunt'] as const) {
    if (lacks(field)) open.push(field);
  }
  if (listOf(caseState, 'allergies').length === 0) open.push('allergies');
  const childLabs = labs.filter((lab) =>
    ['bilirubin', 'albumin', 'inr'].includes(lab.kind.analyte),
  );
  const isLiverOpen =
    lacks('ascites') ||
    lacks('encephalopathy') ||
    childLabs.some((lab) => lab.milli === null || lab.origin === null);
  if (isLiverOpen) open.push('liver');
  if (drugsOf(caseState) === null) open.push('antithrombotics');
  if (lacks('procedure_on')) open.push('procedure_on');
  if (part('airway', 'choice') || part('airway', 'decided_with')) open.push('airway');
  if (part('consent', 'given')) open.push('consent');
  if (part('antibiotic', 'given')) open.push('antibiotic');
  const hasConflict =
    Object.values(caseState?.fields ?? {}).some((field) => field.isConflict) ||
    labs.some((lab) => lab.isConflict);
  if (hasConflict) open.push('conflict');
  return open;
}
