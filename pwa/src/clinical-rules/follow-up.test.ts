/** Follow-up: nobody is lost, whatever happened. */
import { expect, test } from 'vitest';
import { addDays } from './civil-date';
import { answerFollowUp } from './follow-up';
import { packagedRuleBook } from './packaged-rule-files';

const ruleBook = packagedRuleBook('2026-11-25');
const VISITS = [
  'call_24_72h',
  'clinic_1w',
  'eus_1m',
  'call_day_30',
  'eus_3m',
  'treatment_session',
  'eus_12m',
];
const OUTCOMES = ['attended', 'no-show', 'cancelled', 'done-elsewhere'];

/** Numbers from 0 below a bound, the same for the same seed (a linear congruence). */
function seeded(seed: number): (below: number) => number {
  let state = seed + 1;
  return (below) => {
    state = (state * 1_103_515_245 + 12_345) % 2_147_483_648;
    return Math.floor((state / 2_147_483_648) * below);
  };
}

function drawCourse(seed: number) {
  const chance = seeded(seed);
  const indexOn = addDays('2024-01-01', chance(1500));
  let on = indexOn;
  const happened: Record<string, unknown>[] = [];
  // In every fifth course all that was planned took place and nothing was found: what then?
  if (chance(5) === 0) {
    for (const visit of VISITS) {
      on = addDays(on, 60);
      happened.push({ visit, on, outcome: 'attended' });
    }
  }
  for (let count = chance(8); count > 0; count--) {
    on = addDays(on, chance(90));
    const one: Record<string, unknown> = { visit: VISITS[chance(VISITS.length)], on };
    if (chance(10) > 0) one.outcome = OUTCOMES[chance(4)];
    for (const finding of ['doppler_flow', 'obliterated', 'retreated']) {
      if (chance(3) === 0) one[finding] = chance(2) === 0;
    }
    if (chance(40) === 0) one.died = true;
    happened.push(one);
  }
  return {
    plan: 'default',
    index_on: indexOn,
    acute_bleed: chance(2) === 0,
    today_on: addDays(on, chance(700)),
    happened,
  };
}

/** Has caught: the review row left out when nothing else is open. */
test('[FU10] unless ended there is one next act with a day to come and an owner', () => {
  let reviews = 0;
  let goingOn = 0;
  for (let seed = 0; seed < 1000; seed++) {
    const request = drawCourse(seed);
    const { next, ended } = answerFollowUp(request, ruleBook);
    if (ended !== null) {
      expect(next).toBeNull();
      continue;
    }
    goingOn += 1;
    expect(next).not.toBeNull();
    expect(['booking', 'clinician']).toContain(next?.owner_role);
    expect((next?.on ?? '') >= request.today_on).toBe(true);
    if (next?.visit === 'clinician_visit') reviews += 1;
  }
  expect(goingOn).toBeGreaterThan(500);
  expect(reviews).toBeGreaterThan(0);
});

test('[FU3] what the booking staff reads names no finding', () => {
  const request = { ...drawCourse(3), conditions: { cirrhosis: true, child_class: 'A' } };
  for (const { label } of answerFollowUp(request, ruleBook).visits) {
    expect(label).toMatch(
      /^(Phone call|Clinic visit|Scope check|Scope check with ultrasound|Liver ultrasound|Treatment session)$/,
    );
  }
});
