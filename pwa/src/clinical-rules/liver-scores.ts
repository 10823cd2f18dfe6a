/**
 * Scores of liver disease and of acute bleeding, from bands and coefficients in rule files.
 * Twin of `liver_scores.py`; no number of a score stands in here.
 */
import { CalculationRefusedError } from './errors';
import {
  type GivenInputs,
  type LiverRequest,
  type Refusal,
  readRequest,
  takeInputs,
  warnOfInputs,
} from './liver-inputs';
import { LiverRules } from './liver-rules';
import {
  atLeast,
  atMost,
  clamp,
  type Exact,
  exact,
  log10,
  minus,
  naturalLog,
  over,
  plus,
  roundHalfUp,
  times,
} from './measures';
import { nameRuleFiles, type RuleBook } from './rule-book';
import type { Basis } from './rule-file';
import { nameUsualBands } from './value-cautions';

/** A part that could not be calculated: what it lacks, or why it is refused. */
export type NotCalculated = { readonly missing: readonly string[] } | { readonly refusal: Refusal };

const LABS = ['bilirubin', 'inr', 'creatinine'];
const BLEEDING_FLAGS = ['melaena', 'syncope', 'hepatic_disease', 'cardiac_failure'];
const BLEEDING_NUMBERS = ['systolic_mmhg', 'heart_rate_bpm'];

const NEEDS = {
  child_pugh: ['bilirubin', 'albumin', 'inr', 'ascites', 'encephalopathy'],
  meld: LABS,
  meld_na: [...LABS, 'sodium_mmol_l'],
  meld_3: [...LABS, 'sodium_mmol_l', 'albumin', 'sex'],
  albi: ['bilirubin', 'albumin'],
  glasgow_blatchford: ['urea', 'haemoglobin', 'sex', ...BLEEDING_NUMBERS, ...BLEEDING_FLAGS],
  aims65: ['albumin', 'inr', 'altered_mental_status', 'systolic_mmhg', 'age_years'],
  creatinine_clearance: ['age_years', 'weight_kg', 'sex', 'creatinine'],
} as const;
const TAKES_DIALYSIS: readonly string[] = ['meld', 'meld_na', 'meld_3'];

const CALCULATE = {
  child_pugh: childPugh,
  meld,
  meld_na: meldNa,
  meld_3: meld3,
  albi,
  glasgow_blatchford: glasgowBlatchford,
  aims65,
  creatinine_clearance: creatinineClearance,
};
type Part = keyof typeof CALCULATE;

/** Every score, or what it lacks; then what it rests on, and remarks on the inputs. */
export type LiverScoresAnswer = {
  [P in Part]: ReturnType<(typeof CALCULATE)[P]> | NotCalculated;
} & {
  assumed: string[];
  basis: Partial<Record<Part, { basis: Basis | null; source: string | null }>>;
  /** Keys of the request that each score rests on. */
  inputs: Partial<Record<Part, string[]>>;
  cautions: ReturnType<typeof warnOfInputs>;
  rule_files: ReturnType<typeof nameRuleFiles>;
};

/**
 * Return every score that the request suffices for. Rules LS1-LS13.
 *
 * @param request - parsed JSON with the keys of `liver-scores` in RULES.md, all of them optional
 * @throws ShapeError for a wrong key or type; CalculationRefusedError when no score at all could
 * be calculated, with the whole answer
 */
export function answerLiverScores(request: unknown, ruleBook: RuleBook): LiverScoresAnswer {
  const rules = new LiverRules(ruleBook);
  const read: LiverRequest = readRequest(request, '');
  const given = takeInputs(read, rules);
  const parts: Record<string, unknown> = {};
  const basis: LiverScoresAnswer['basis'] = {};
  const inputs: LiverScoresAnswer['inputs'] = {};
  for (const part of Object.keys(NEEDS) as Part[]) {
    const isReplaced = TAKES_DIALYSIS.includes(part) && given.onDialysis;
    const needed = NEEDS[part].filter((name) => !(isReplaced && name === 'creatinine'));
    const refused = needed.find((name) => given.refusals.has(name));
    const missing = needed.filter((name) => !given.has(name));
    if (refused !== undefined) parts[part] = { refusal: given.refusals.get(refused) };
    else if (missing.length > 0) parts[part] = { missing };
    else {
      parts[part] = CALCULATE[part](given, rules);
      basis[part] = rules.source(part);
      const takesDialysis = TAKES_DIALYSIS.includes(part) && read.dialysis !== undefined;
      inputs[part] = [...needed, ...(takesDialysis ? ['dialysis'] : [])];
    }
  }
  const takesDialysis = TAKES_DIALYSIS.some((part) => Object.hasOwn(basis, part));
  const answer = {
    ...parts,
    assumed: takesDialysis && read.dialysis === undefined ? ['dialysis: false'] : [],
    basis,
    inputs,
    cautions: warnOfInputs(read, given, ruleBook),
    rule_files: [
      ...nameRuleFiles(rules.bands, rules.coefficients, rules.ranges),
      ...nameUsualBands(ruleBook),
    ],
  } as LiverScoresAnswer;
  if (Object.keys(basis).length === 0) {
    throw new CalculationRefusedError(
      'No score can be calculated from this. Add what is missing or correct it.',
      answer,
    );
  }
  return answer;
}

function sum(counts: readonly number[]): number {
  return counts.reduce((total, count) => total + count, 0);
}

function childPugh(given: GivenInputs, rules: LiverRules) {
  const points =
    sum(
      ['bilirubin', 'albumin', 'inr'].map((item) =>
        rules.points('child_pugh', item, given.amount(item)),
      ),
    ) +
    sum(
      ['ascites', 'encephalopathy'].map((item) =>
        rules.points('child_pugh', item, given.word(item)),
      ),
    );
  return { points, class: rules.band('child_pugh', 'class', exact(points)).label ?? null };
}

/** Return the terms that all three share, and ln bilirubin and ln creatinine, bounded. */
function logSum(score: string, given: GivenInputs, rules: LiverRules) {
  const bounded = (item: string) =>
    atLeast(given.amount(item), rules.factor(score, `least_${item}`));
  const creatinine = () =>
    atMost(bounded('creatinine_mg_dl'), rules.factor(score, 'most_creatinine_mg_dl'));
  const lnBilirubin = naturalLog(bounded('bilirubin_mg_dl'));
  const lnInr = naturalLog(bounded('inr'));
  const lnCreatinine = naturalLog(
    given.onDialysis ? rules.factor(score, 'dialysis_creatinine_mg_dl') : creatinine(),
  );
  const total = plus(
    times(rules.factor(score, 'ln_bilirubin'), lnBilirubin),
    times(rules.factor(score, 'ln_inr'), lnInr),
    times(rules.factor(score, 'ln_creatinine'), lnCreatinine),
    rules.factor(score, 'constant'),
  );
  return { total, lnBilirubin, lnCreatinine };
}

function boundScore(score: string, raw: Exact, rules: LiverRules): number {
  const rounded = exact(roundHalfUp(raw, 0));
  const bounded = clamp(
    rounded,
    rules.factor(score, 'least_score'),
    rules.factor(score, 'most_score'),
  );
  return roundHalfUp(bounded, 0);
}

function sodiumDeficit(score: string, given: GivenInputs, rules: LiverRules): Exact {
  const most = rules.factor(score, 'most_sodium_mmol_l');
  const least = rules.factor(score, 'least_sodium_mmol_l');
  return minus(most, clamp(given.amount('sodium_mmol_l'), least, most));
}

function meld(given: GivenInputs, rules: LiverRules) {
  const { total } = logSum('meld', given, rules);
  return { score: boundScore('meld', total, rules), unrounded: roundHalfUp(total, 4) };
}

function meldNa(given: GivenInputs, rules: LiverRules) {
  const { total } = logSum('meld_na', given, rules);
  // The policy rounds to one decimal before it multiplies: 1.486 becomes 15, not 14.86 (LS5).
  const rounded = times(exact(roundHalfUp(total, 1)), exact(10));
  if (rounded <= rules.factor('meld_na', 'sodium_above_score')) {
    return { score: boundScore('meld_na', rounded, rules) };
  }
  const deficit = sodiumDeficit('meld_na', given, rules);
  const score = plus(
    rounded,
    times(rules.factor('meld_na', 'sodium_deficit'), deficit),
    times(rules.factor('meld_na', 'sodium_deficit_score'), rounded, deficit),
  );
  return { score: boundScore('meld_na', score, rules) };
}

function meld3(given: GivenInputs, rules: LiverRules) {
  const { total, lnBilirubin, lnCreatinine } = logSum('meld_3', given, rules);
  const sodium = sodiumDeficit('meld_3', given, rules);
  const mostAlbumin = rules.factor('meld_3', 'most_albumin_g_dl');
  const leastAlbumin = rules.factor('meld_3', 'least_albumin_g_dl');
  const albumin = minus(
    mostAlbumin,
    clamp(given.amount('albumin_g_dl'), leastAlbumin, mostAlbumin),
  );
  const raw = plus(
    total,
    given.word('sex') === 'female' ? rules.factor('meld_3', 'female') : exact(0),
    times(rules.factor('meld_3', 'sodium_deficit'), sodium),
    times(rules.factor('meld_3', 'sodium_deficit_ln_bilirubin'), sodium, lnBilirubin),
    times(rules.factor('meld_3', 'albumin_deficit'), albumin),
    times(rules.factor('meld_3', 'albumin_deficit_ln_creatinine'), albumin, lnCreatinine),
  );
  return {
    score: boundScore('meld_3', raw, rules),
    unrounded: roundHalfUp(raw, 4),
    uncapped: roundHalfUp(raw, 0),
  };
}

function albi(given: GivenInputs, rules: LiverRules) {
  const raw = plus(
    times(rules.factor('albi', 'log10_bilirubin_umol_l'), log10(given.amount('bilirubin'))),
    times(rules.factor('albi', 'albumin_g_l'), given.amount('albumin')),
  );
  return { score: roundHalfUp(raw, 4), grade: rules.points('albi', 'grade', raw) };
}

function glasgowBlatchford(given: GivenInputs, rules: LiverRules) {
  const points = (item: string, one: Exact | string) =>
    rules.points('glasgow_blatchford', item, one);
  return {
    points: sum([
      points('urea', given.amount('urea_mmol_l')),
      points(`haemoglobin_${given.word('sex')}`, given.amount('haemoglobin')),
      ...BLEEDING_NUMBERS.map((item) => points(item, given.amount(item))),
      ...BLEEDING_FLAGS.map((item) => points(item, given.word(item))),
    ]),
  };
}

function aims65(given: GivenInputs, rules: LiverRules) {
  return {
    points: sum([
      ...['albumin', 'inr', 'systolic_mmhg', 'age_years'].map((item) =>
        rules.points('aims65', item, given.amount(item)),
      ),
      rules.points('aims65', 'altered_mental_status', given.word('altered_mental_status')),
    ]),
  };
}

function creatinineClearance(given: GivenInputs, rules: LiverRules) {
  const score = 'creatinine_clearance';
  const years = minus(rules.factor(score, 'age_from_years'), given.amount('age_years'));
  const factor = given.word('sex') === 'female' ? rules.factor(score, 'female') : exact(1);
  // Creatinine in umol/L and its factor above the line: one division, so that a tie stays one.
  const per = rules.factor('units', 'creatinine_umol_l_per_mg_dl');
  const clearance = over(
    times(years, given.amount('weight_kg'), factor, per),
    times(rules.factor(score, 'divisor'), given.amount('creatinine')),
  );
  return { ml_per_min: roundHalfUp(clearance, 2) };
}
