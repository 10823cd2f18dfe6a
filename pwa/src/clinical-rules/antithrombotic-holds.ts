/**
 * How long antithrombotic drugs are held before a planned procedure, profile by profile.
 * Twin of `antithrombotic_holds.py`.
 *
 * Never for an urgent procedure: a bleeding patient is a decision of the team.
 */
import { boundKeys, findBand, refuseBandFaults } from './bands';
import { addDays } from './civil-date';
import { CalculationRefusedError, RuleFileError } from './errors';
import type { Refusal } from './liver-inputs';
import { exact, ZERO } from './measures';
import { nameRuleFiles, type RuleBook } from './rule-book';
import { type Basis, pathOf, type RuleFile, rowShape } from './rule-file';
import { civilDate, flag, listOf, number, oneOf, shape, text, wholeNumber } from './shapes';

export const URGENT_TEXT =
  'No hold is calculated for an urgent procedure. ' +
  'A bleeding patient is a decision of the team and local protocol.';
const MOST_CLEARANCE = 300;

const readHoldRow = rowShape(
  { drug: text },
  { ...boundKeys, hold_days: wholeNumber, continue: flag, check: text, refuse: text },
);
type HoldRow = ReturnType<typeof readHoldRow>;

/** One drug: its hold, what it lacks, or why there is no figure. */
export type Hold =
  | {
      drug: string;
      hold_days: number;
      last_dose_on: string | null;
      continue: boolean;
      check: string | null;
      basis: Basis | null;
      source: string | null;
      inputs: string[];
    }
  | { drug: string; missing: string[] }
  | {
      drug: string;
      refusal: Refusal;
      basis?: Basis | null;
      source?: string | null;
      inputs?: string[];
    };

export interface AntithromboticHoldsAnswer {
  holds: Hold[];
  refusal?: Refusal;
  rule_files: ReturnType<typeof nameRuleFiles>;
}

/**
 * Return the hold of each drug and the day of its last dose. Rules AH1-AH7.
 *
 * @param request - parsed JSON with the keys of `antithrombotic-holds` in RULES.md
 * @throws ShapeError for a wrong key, type or profile; CalculationRefusedError when the procedure
 * is urgent or no drug asked for has a figure
 */
export function answerAntithromboticHolds(
  request: unknown,
  ruleBook: RuleBook,
): AntithromboticHoldsAnswer {
  const folder = 'antithrombotic_holds';
  const profiles = ruleBook.names(folder).map((name) => name.slice(folder.length + 1));
  const read = shape(
    { procedure_on: civilDate, urgent: flag, drugs: listOf(text) },
    { profile: oneOf(...profiles), creatinine_clearance_ml_per_min: number },
  )(request, '');
  const name =
    read.profile === undefined ? ruleBook.defaultName(folder) : `${folder}/${read.profile}`;
  const profile = ruleBook.ruleFile(name, readHoldRow);
  refuseFaults(profile);
  if (read.urgent) {
    throw new CalculationRefusedError(URGENT_TEXT, {
      holds: [],
      refusal: { kind: 'urgent', text: URGENT_TEXT },
      rule_files: nameRuleFiles(profile),
    });
  }
  const holds = read.drugs.map((drug) => holdOf(drug, profile.rows, read));
  const answer = { holds, rule_files: nameRuleFiles(profile) };
  if (!holds.some((hold) => 'hold_days' in hold)) {
    const [first] = holds;
    const why = first === undefined ? 'Name at least one drug.' : sayWhy(first);
    throw new CalculationRefusedError(`No hold can be calculated from this. ${why}`, {
      ...answer,
    });
  }
  return answer;
}

interface HoldRequest {
  readonly procedure_on: string;
  readonly profile?: string | undefined;
  readonly creatinine_clearance_ml_per_min?: number | undefined;
}

function holdOf(drug: string, rows: readonly HoldRow[], read: HoldRequest): Hold {
  const own = rows.filter((row) => row.drug === drug);
  let [row] = own;
  if (row === undefined) {
    const unknown = `The profile has no drug ${drug}. Correct its name, or decide by local protocol.`;
    return { drug, refusal: { kind: 'unknown-drug', text: unknown } };
  }
  if (own.length > 1) {
    const entered = read.creatinine_clearance_ml_per_min;
    const clearance = entered === undefined ? null : exact(entered);
    if (clearance === null) return { drug, missing: ['creatinine_clearance_ml_per_min'] };
    if (clearance <= ZERO || clearance > exact(MOST_CLEARANCE)) {
      const outside =
        `creatinine_clearance_ml_per_min must lie above 0 and up to ${MOST_CLEARANCE}. ` +
        'Check the number.';
      return { drug, refusal: { kind: 'out-of-range', text: outside } };
    }
    row = findBand(own, clearance);
  }
  const continues = row.continue ?? false;
  const isDated = row.hold_days !== undefined && !continues;
  const last = {
    basis: row.basis ?? null,
    source: row.source ?? null,
    inputs: nameInputs(read, isDated, own.length > 1),
  };
  if (row.hold_days === undefined) {
    return { drug, refusal: { kind: 'no-figure', text: row.refuse ?? '' }, ...last };
  }
  return {
    drug,
    hold_days: row.hold_days,
    last_dose_on: continues ? null : addDays(read.procedure_on, -row.hold_days),
    continue: continues,
    check: row.check ?? null,
    ...last,
  };
}

/** The keys of the request that a hold rests on, in the order of RULES.md (AH7). */
function nameInputs(read: HoldRequest, isDated: boolean, takesClearance: boolean): string[] {
  const used = {
    profile: read.profile !== undefined,
    procedure_on: isDated,
    urgent: true,
    drugs: true,
    creatinine_clearance_ml_per_min: takesClearance,
  };
  return Object.entries(used).flatMap(([key, isUsed]) => (isUsed ? [key] : []));
}

function sayWhy(hold: Hold): string {
  return 'refusal' in hold
    ? hold.refusal.text
    : `${hold.drug} needs creatinine_clearance_ml_per_min. Add it.`;
}

function refuseFaults(profile: RuleFile<HoldRow>): void {
  for (const [place, row] of profile.rows.entries()) {
    const hasBothOrNone = (row.hold_days === undefined) === (row.refuse === undefined);
    if (hasBothOrNone || (row.hold_days ?? 0) < 0) {
      throw new RuleFileError(
        `Rule file ${pathOf(profile)}: row ${place + 1} needs \`hold_days\` from 0 or \`refuse\`, ` +
          'and not both. Correct it.',
      );
    }
  }
  for (const drug of new Set(profile.rows.map((row) => row.drug))) {
    const own = profile.rows.filter((row) => row.drug === drug);
    if (own.length > 1) refuseBandFaults(pathOf(profile), drug, own);
  }
}
