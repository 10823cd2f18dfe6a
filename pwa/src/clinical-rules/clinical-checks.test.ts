/** Published and library figures for the calculators; Python runs the same rows. */
import { readFileSync } from 'node:fs';
import { expect, test } from 'vitest';
import { gradeAdverseEvent, type Scale } from './adverse-events';
import { answerAntithromboticHolds } from './antithrombotic-holds';
import { answerDeviceLabel } from './device-label';
import { checkDigit } from './gs1-label';
import { checkCharacter, sumCharacters } from './hibc-label';
import { LiverRules } from './liver-rules';
import { answerLiverScores } from './liver-scores';
import { exact, over, roundHalfUp, times } from './measures';
import { packagedRuleBook } from './packaged-rule-files';

// Rows have inputs of many shapes; each function below knows those of its own family.
// biome-ignore lint/suspicious/noExplicitAny: the rows are read as they stand in the shared file
type Inputs = any[];
interface CheckRow {
  id: string;
  inputs: Inputs;
  expected: unknown;
  tolerance: number;
  tag: string;
  source: string;
}

const file = new URL('../../../tests/conformance/clinical_checks.json', import.meta.url);
const rows = JSON.parse(readFileSync(file, 'utf8')) as CheckRow[];
const ruleBook = packagedRuleBook('2026-11-25');

const amount = (unit: string, size: number) => ({ value: size, unit });
const liver = (request: Record<string, unknown>) =>
  answerLiverScores(request, ruleBook) as unknown as Record<string, Record<string, unknown>>;
const labs = ([bilirubin, inr, creatinine, dialysis = false]: Inputs) => ({
  bilirubin: amount('mg/dL', bilirubin),
  inr,
  creatinine: amount('mg/dL', creatinine),
  dialysis,
});
const meldNa = ([bilirubin, inr, creatinine, sodium, dialysis]: Inputs) =>
  liver({ ...labs([bilirubin, inr, creatinine, dialysis]), sodium_mmol_l: sodium }).meld_na
    ?.score as number;
const holds = (profile: string, drugs: string[], clearance?: number) =>
  answerAntithromboticHolds(
    {
      profile,
      procedure_on: '2026-03-10',
      urgent: false,
      drugs,
      ...(clearance === undefined ? {} : { creatinine_clearance_ml_per_min: clearance }),
    },
    ruleBook,
  ).holds.map((hold) => 'hold_days' in hold && hold.hold_days);
// What the sources call the facts of an event; hours are whole, and 2.9 h is not yet 3.
const EVENT_FACTS: Record<string, object> = {
  'phone contact': { phone_contact: true },
  'extended observation 2.9 h': { observation_hours: 2 },
  'extended observation 3.1 h': { observation_hours: 3 },
  '3 nights': { admission_nights: 3 },
  '4 nights': { admission_nights: 4 },
  transfusion: { transfusion: true },
  'ICU 1 night': { intensive_care_nights: 1 },
};
const eventGrades = (scale: Scale, events: string[]) =>
  events.map((event) => gradeAdverseEvent(EVENT_FACTS[event], ruleBook)[scale].grade);
const liverRules = new LiverRules(ruleBook);
const unitFactor = (term: string) => liverRules.factor('units', term);
const label = (scanned: string) => answerDeviceLabel({ scanned, today_on: '2026-11-25' }, ruleBook);

/** By id or by the family before the dash; the id goes first. */
const FUNCTIONS: Record<string, (inputs: Inputs) => unknown> = {
  'CP-08': (amounts) =>
    amounts.map((bilirubin) => {
      const found = liver({
        bilirubin: amount('umol/L', bilirubin),
        albumin: amount('g/L', 40),
        inr: 1,
        ascites: 'none',
        encephalopathy: 'none',
      }).child_pugh;
      return (found?.points as number) - 4;
    }),
  CP: ([bilirubin, albumin, inr, ascites, encephalopathy]) => {
    const found = liver({
      bilirubin: amount('mg/dL', bilirubin),
      albumin: amount('g/dL', albumin),
      inr,
      ascites,
      encephalopathy,
    }).child_pugh;
    return [found?.points, found?.class];
  },
  'MELD-07': (inputs) => liver(labs(inputs)).meld?.unrounded,
  MELD: (inputs) => liver(labs(inputs)).meld?.score,
  'NA-10': ([bilirubin, inr, creatinine, sodium]) => {
    const base = meldNa([bilirubin, inr, creatinine, 137]);
    const uplifted = meldNa([bilirubin, inr, creatinine, sodium]);
    return [base, uplifted, uplifted - base];
  },
  NA: meldNa,
  M3: ([bilirubin, inr, creatinine, sodium, albumin, isFemale, dialysis]) => {
    const found = liver({
      ...labs([bilirubin, inr, creatinine, dialysis === 'dialysis']),
      sodium_mmol_l: sodium,
      albumin: amount('g/dL', albumin),
      sex: isFemale ? 'female' : 'male',
    }).meld_3;
    return [found?.unrounded, found?.score];
  },
  ALBI: ([bilirubin, albumin]) => {
    const found = liver({
      bilirubin: amount('umol/L', bilirubin),
      albumin: amount('g/L', albumin),
    }).albi;
    return [found?.score, found?.grade];
  },
  GBS: ([urea, haemoglobin, sex, systolic, pulse, melaena, syncope, hepatic, cardiac]) =>
    liver({
      urea: amount('mmol/L', urea),
      haemoglobin: amount('g/L', haemoglobin),
      sex,
      systolic_mmhg: systolic,
      heart_rate_bpm: pulse,
      melaena: Boolean(melaena),
      syncope: Boolean(syncope),
      hepatic_disease: Boolean(hepatic),
      cardiac_failure: Boolean(cardiac),
    }).glasgow_blatchford?.points,
  AIMS: ([albumin, inr, altered, systolic, age]) =>
    liver({
      albumin: amount('g/L', albumin),
      inr,
      altered_mental_status: Boolean(altered),
      systolic_mmhg: systolic,
      age_years: age,
    }).aims65?.points,
  CG: ([age, weight, sex, creatinine]) =>
    liver({
      age_years: age,
      weight_kg: weight,
      sex,
      creatinine: amount('mg/dL', creatinine),
    }).creatinine_clearance?.ml_per_min,
  UNIT: ([creatinine, bilirubin, bilirubinUmol]) => [
    roundHalfUp(times(exact(creatinine), unitFactor('creatinine_umol_l_per_mg_dl')), 4),
    roundHalfUp(times(exact(bilirubin), unitFactor('bilirubin_umol_l_per_mg_dl')), 4),
    roundHalfUp(over(exact(bilirubinUmol), unitFactor('bilirubin_umol_l_per_mg_dl')), 4),
  ],
  'PRE-01': ([warfarin, oral, dabigatran]) => {
    const [drug, clearance] = dabigatran.split('/CrCl ');
    return holds('bsg-esge-2021', [warfarin, oral, drug], Number(clearance));
  },
  'PRE-02': (classes) => {
    const members: Record<string, string> = { doac: 'apixaban', p2y12: 'clopidogrel' };
    return holds(
      'apage-apsde-2018',
      classes.map((one) => members[one] ?? one),
    );
  },
  'PRE-05': (events) =>
    eventGrades('agree', events).map((grade) => (grade === 'none' ? grade : `AGREE ${grade}`)),
  'PRE-07': (events) => eventGrades('asge', events),
  GS1: ([digits]) => checkDigit(digits),
  'UDI-01': () => {
    const found = label('01095212345432131727020010AB-123\u001d21SN001');
    return [found.gtin, found.expires_on, found.lot, found.serial];
  },
  'UDI-02': (dates) => dates.map((date) => label(`010952123454321317${date}`).expires_on),
  'HIB-01': ([content]) => [sumCharacters(content), checkCharacter(content)],
  'HIB-02': ([content]) => checkCharacter(content),
  'HIB-04': ([segment]) => {
    const content = `+A123BJC5D6E71/${segment}`;
    const found = label(content + checkCharacter(content));
    return [found.expires_on, found.lot];
  },
};

test.each(rows)('$id: $function', ({ id, inputs, expected, tolerance, source, tag }) => {
  const check = FUNCTIONS[id] ?? FUNCTIONS[id.split('-')[0] ?? ''];
  expect(check, 'no function runs this row').toBeDefined();
  const found = check?.(inputs);
  expect(source && tag).toBeTruthy();
  const foundList = Array.isArray(expected) ? (found as unknown[]) : [found];
  const wantedList = Array.isArray(expected) ? expected : [expected];
  expect(foundList).toHaveLength(wantedList.length);
  for (const [place, wanted] of wantedList.entries()) {
    const one = foundList[place];
    if (typeof wanted === 'number') {
      expect(typeof one).toBe('number');
      expect(Math.abs((one as number) - wanted)).toBeLessThanOrEqual(tolerance);
    } else expect(one).toBe(wanted);
  }
});
