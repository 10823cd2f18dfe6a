/**
 * How often the gates interrupt: 50 scripted cases played through the states of the bedside and of
 * close-out, every gate counted as it comes on screen (GATE-03, GATE-04, HAZ-29).
 */
import { beforeAll, expect, test } from 'vitest';
import { type Move, NO_ROUND } from '../clinical-rules/step-protocol';
import { primaryOf } from '../screens/procedure/primary';
import { Bench, openBench } from './bedside-bench';
import { CloseOutSession } from './close-out.svelte';
import { confirmedBy } from './confirmed-by';
import { identityDigits, isIdentityMatch } from './identity';
import { composeOverride, needsSecondPerson, type StandingGate, standingGates } from './override';
import {
  besideFacts,
  gatesOfMoves,
  interruptions,
  labelRemarks,
  whyUsed,
} from './procedure-at-hand';
import type { StockChoice } from './procedure-plan';
import { remarksOn } from './value-remarks';

interface Script {
  name: string;
  /** Digits of other patients pressed first. */
  wrongDigits?: number;
  emergency?: boolean;
  /** Coil sizes beside the planned one are taken, with this lot. */
  otherCoil?: boolean;
  expiresOn?: string;
  /** A distance typed ten times too small first, then again. */
  tenfold?: boolean;
  stopUm?: number[];
  /** Answers "no blood return" so often; then what is done. */
  noBlood?: number;
  onNoBlood?: 'try_again' | 'another_puncture' | 'pass';
  aliquotsUl?: number[];
  givenBeforeUl?: number;
  measuredAgain?: boolean;
  conflict?: boolean;
  forgets?: boolean;
  leavesPackageOpen?: boolean;
}

const LOTS = [{ lot: 'L-1', expires_on: '2028-04-30' }];

/** Which cases a unit sees, and how often each among fifty: invented, no source. */
const VARIANTS: readonly [times: number, script: Script][] = [
  [14, { name: 'routine, follows plan' }],
  [4, { name: 'other coil', otherCoil: true }],
  [3, { name: 'expired coil', otherCoil: true, expiresOn: '2026-02-28' }],
  [3, { name: 'tenfold slip', tenfold: true }],
  [4, { name: 'no blood return, flush again', noBlood: 1, onNoBlood: 'try_again' }],
  [3, { name: 'no blood return twice', noBlood: 2, onNoBlood: 'try_again' }],
  [3, { name: 'second puncture', noBlood: 1, onNoBlood: 'another_puncture' }],
  [2, { name: 'goes on without blood', noBlood: 1, onNoBlood: 'pass' }],
  [4, { name: 'emergency', emergency: true }],
  [2, { name: 'two answers wait', conflict: true }],
  [2, { name: 'measured again', measuredAgain: true }],
  [2, { name: 'over the limit', givenBeforeUl: 5_600, aliquotsUl: [800] }],
  [1, { name: 'stop too deep', stopUm: [26_000, 21_000] }],
  [1, { name: 'wrong digits', wrongDigits: 1 }],
  [1, { name: 'forgotten follow-up', forgets: true }],
  [
    1,
    {
      name: 'everything at once',
      noBlood: 2,
      onNoBlood: 'try_again',
      measuredAgain: true,
      forgets: true,
    },
  ],
];
const SCRIPTS = VARIANTS.flatMap(([times, script]) => Array.from({ length: times }, () => script));

interface Played {
  name: string;
  /** Causes in the order in which they came up loud; one cause twice is a fault. */
  hard: string[];
  soft: string[];
  acts: number;
}

/** Counts what comes on screen: a gate that stays while the screen does counts once. */
class Watcher {
  readonly hard: string[] = [];
  readonly soft: string[] = [];
  #onScreen = new Set<string>();

  see(standing: readonly StandingGate[]): void {
    const now = new Set(standing.map(({ gate }) => gate.cause));
    for (const { gate } of standing) {
      if (gate.quiet || this.#onScreen.has(gate.cause)) continue;
      (gate.level === 'hard' ? this.hard : this.soft).push(gate.cause);
    }
    this.#onScreen = now;
  }
}

/** Wait until the screens have drawn what was saved, however busy the machine is. */
async function until(isDrawn: () => boolean): Promise<void> {
  for (let turn = 0; turn < 400 && !isDrawn(); turn += 1) {
    await new Promise((resolve) => setTimeout(resolve, 5));
  }
  if (!isDrawn()) throw new Error('what was saved was never drawn');
}

async function setUp(script: Script): Promise<Bench> {
  const bench = await openBench();
  bench.write(
    [
      { record: 'patient/p1', set: { local_id: 'TH-52088' } },
      {
        record: 'stock_item/s10',
        set: {
          item: 'coil',
          count: 2,
          name: 'Coil 10 mm',
          coil: { loop_um: 10_000, wire_um: 889, length_um: 140_000 },
          lots: [{ lot: 'L-10', expires_on: script.expiresOn ?? '2028-04-30' }],
        },
      },
      { record: 'stock_item/n1', set: { item: 'needle', name: 'Needle', lots: LOTS } },
      {
        record: 'stock_item/a1',
        set: {
          item: 'adhesive',
          name: 'Adhesive',
          adhesive: { agent: '2-octyl-cyanoacrylate' },
          lots: LOTS,
        },
      },
    ],
    'more',
  );
  if (script.givenBeforeUl !== undefined) {
    const amount = { mix_ul: script.givenBeforeUl, parts_adhesive: 1, parts_oil: 0 };
    bench.write([
      { record: 'adhesive_injected/x1', set: { case: 'case/c1', target: 'target/t1', amount } },
    ]);
  }
  if (script.conflict) bench.write([{ record: 'case/c1', set: { needle: { gauge: 22 } } }], 'two');
  const fresh = new Bench(bench.disk.reopen());
  await fresh.settle();
  if (script.name.startsWith('routine') || script.emergency) return fresh;
  // Only the routine walks the first phases step by step; the others begin at the puncture.
  fresh.write(
    fresh.session.leftOut.map(({ id }) => ({
      record: `step_event/a-${id.replaceAll('_', '-')}`,
      set: { case: 'case/c1', step: id, round: { ...NO_ROUND }, outcome: 'done' },
    })),
  );
  const prepared = new Bench(fresh.disk.reopen());
  await prepared.settle();
  return prepared;
}

async function play(script: Script): Promise<Played> {
  const bench = await setUp(script);
  const { session } = bench;
  const watcher = new Watcher();
  const pass = async (act: unknown) => {
    await act;
    await until(
      () => bench.standing('step_event') === session.record.standing('step_event').length,
    );
    session.noteRedraw();
    await bench.pass();
  };
  const override = (standing: StandingGate) =>
    composeOverride(standing, {
      reason: standing.gate.reasons[0]?.id ?? '',
      by: 'staff/endoscopist',
      secondPerson: needsSecondPerson(standing.gate) ? 'staff/other' : null,
      wallMs: bench.wallMs,
      monotonicMs: bench.monotonicMs,
      shownAtMs: bench.monotonicMs - 2_000,
    });
  const see = (more: readonly StandingGate[] = []) => {
    const standing = [
      ...interruptions(session),
      ...(session.isChoosing
        ? gatesOfMoves(session).filter(({ gate }) => gate.level === 'soft')
        : []),
      ...session.gatesOn(besideFacts(session)),
      ...more,
    ];
    watcher.see(standing);
    session.noteRaised(standing);
  };

  const digits = identityDigits(session.record.patient) ?? { bornYear: '', lastThree: '' };
  for (let tries = script.wrongDigits ?? 0; tries >= 0; tries -= 1) {
    const pressed = tries > 0 ? { ...digits, lastThree: '000' } : digits;
    const identity_matches = isIdentityMatch(session.record.patient, pressed);
    watcher.see(standingGates(bench.app.ruleBook, { identity_matches }));
  }
  if (script.emergency) await pass(session.leaveOutUntilPuncture('Emergency'));

  const left = {
    noBlood: script.noBlood ?? 0,
    stops: [...(script.stopUm ?? [21_000])],
    aliquots: [...(script.aliquotsUl ?? [])],
    injections: script.aliquotsUl?.length ?? 1,
  };
  let acts = 0;
  const small: StockChoice | undefined = session.coils.find(({ coil }) => coil?.loop_um === 10_000);
  for (; !session.isFinished && acts < 150; acts += 1) {
    see();
    if (session.isChoosing) {
      const { choices, gates } = session.progress;
      const [standing] = gatesOfMoves(session);
      if (gates.some(({ level }) => level === 'hard') && standing && script.onNoBlood === 'pass') {
        await pass(session.overrideBloodReturn(override(standing), 'staff/endoscopist'));
        continue;
      }
      const again = script.onNoBlood === 'another_puncture' ? 'another_puncture' : 'try_again';
      const wanted: Move[] = [
        ...(gates.length > 0 ? [again as Move] : []),
        ...(left.injections > 0 ? (['coil', 'adhesive', 'another_aliquot'] as const) : []),
        'withdraw' as const,
      ];
      const placed = session.totals.coils > 0;
      const move =
        wanted.find((one) => choices.includes(one) && !(placed && one === 'coil')) ?? choices[0];
      if (move === undefined) throw new Error(`${script.name}: no move`);
      await pass(session.choose(move));
      continue;
    }
    const { step } = session;
    if (step === null) throw new Error(`${script.name}: no step`);
    const primary = () => primaryOf(session, () => undefined);
    if (step.id === 'blood_return' && left.noBlood > 0) {
      left.noBlood -= 1;
      await pass(session.pass('not-seen'));
      continue;
    }
    if (step.id === 'doppler_again') {
      await pass(session.pass('not-seen'));
      continue;
    }
    if (step.takes === 'amount_ul') session.answer({ amount: 250_000 });
    if (step.id === 'distance') {
      if (script.tenfold) {
        const measure = { quantity: 'measured_distance', unit: 'mm' };
        const slip = remarksOn(bench.app.ruleBook, measure, 'mm', 2_300, 23_000);
        watcher.soft.push(...slip.map(({ id }) => `${id} on the pad`));
      }
      session.answer({ amount: 23_000 });
    }
    if (step.id === 'stop_set') {
      session.answer({ amount: left.stops.shift() ?? 21_000 });
      see();
      if (interruptions(session).length > 0) continue;
    }
    if (step.takes === 'package' && script.otherCoil && small) {
      session.answer({ stock: small, lot: small.lots[0] ?? null });
      see([
        ...session.gatesOn({ coil_differs: { planned_loop_um: 14_000, chosen_loop_um: 10_000 } }),
        ...session.gatesOn({
          device_expires_on: small.lots[0]?.expiresOn ?? '',
          today_on: '2026-03-16',
        }),
      ]);
    }
    if (step.takes === 'adhesive') {
      if (script.measuredAgain && !session.isPlanStale && session.overrides.length === 0) {
        await measureAgain(bench);
      }
      session.answer({ amount: left.aliquots.shift() ?? 500 });
      see();
      const [standing] = interruptions(session);
      if (standing) {
        const passing = override(standing);
        if (['HARD-03', 'HARD-06'].includes(standing.gate.id)) {
          const { amount } = session.answers;
          await pass(session.goOnWithOwnPlan(passing, 'staff/endoscopist'));
          session.answer({ amount });
        } else session.answer({ override: passing, by: 'staff/endoscopist' });
      }
      left.injections -= 1;
    }
    if (step.id === 'dead_space_flush') session.answer({ amount: 1_000, medium: 'saline' });
    if (step.takes === 'package' && primary().isBlocked) {
      // An old plan names no coil: one is taken from the shelf.
      session.answer({ stock: session.coils[0] ?? null });
    }
    if (step.takes === 'package' && session.answers.lot === undefined) {
      session.answer({ lot: session.coils[0]?.lots[0] ?? null });
    }
    const item = { needle_flushed: session.needles[0], aliquot_ready: session.adhesives[0] }[
      step.id
    ];
    if (item) session.answer({ stock: item, lot: item.lots[0] ?? null });
    if (whyUsed(session) === null) {
      const asking = labelRemarks(session).filter(({ gate }) => gate.reasons.length > 0);
      session.answer({
        why: Object.fromEntries(asking.map(({ gate }) => [gate.cause, 'no-other'])),
      });
    }
    const words = primary().words;
    if (primary().isBlocked) throw new Error(`${script.name}: ${step.id} says ${words}`);
    await pass(primary().press());
    if (session.isTimerHere()) await pass(primary().press());
  }
  await closeOut(bench, script, watcher, override);
  return { name: script.name, hard: watcher.hard, soft: watcher.soft, acts };
}

async function measureAgain(bench: Bench): Promise<void> {
  const [target] = bench.store.read({ kind: 'target' });
  await bench.app.tablet.save([
    {
      draftId: 'again',
      record: 'target/t1',
      set: { size: { short_axis_um: 16_000, origin: 'measured' } },
      over: { size: target?.fields.size?.values.flatMap((held) => held.references) ?? [] },
    },
  ]);
  await until(() => bench.session.isPlanStale);
}

async function closeOut(
  bench: Bench,
  script: Script,
  watcher: Watcher,
  override: (standing: StandingGate) => ReturnType<typeof composeOverride>,
): Promise<void> {
  await bench.session.finish();
  const closing = new CloseOutSession(bench.app, 'c1');
  await until(() => closing.record.isLoaded);
  if (!script.forgets) {
    await closing.followUp.leaveOut('Follow-up elsewhere', 'No follow-up');
    await until(() => !closing.open.includes('follow-up'));
  }
  watcher.see(closing.gates);
  const isSigned = await closing.sign(
    confirmedBy('staff/endoscopist'),
    closing.gates.map(override),
  );
  await bench.pass();
  expect(isSigned, `${script.name} is signed`).toBe(true);
  closing.dispose();
}

const played: Played[] = [];
const table = () =>
  played
    .map(
      ({ name, hard, soft, acts }) =>
        `${hard.length}  ${name}, ${acts} acts: ${[...hard, ...soft].join('; ')}`,
    )
    .join('\n');
/** The value that this share of all lies at or below, in per cent. */
function percentile(counts: readonly number[], share: number): number {
  const sorted = [...counts].sort((one, other) => one - other);
  return sorted[Math.ceil((sorted.length * share) / 100) - 1] ?? 0;
}

beforeAll(async () => {
  // Ten at once: each mostly waits for its lockouts.
  for (let from = 0; from < SCRIPTS.length; from += 10) {
    played.push(...(await Promise.all(SCRIPTS.slice(from, from + 10).map(play))));
  }
}, 240_000);

test('[GATE-03] of 50 cases the median meets at most one interruption, 95 of 100 at most three', () => {
  const counts = played.map(({ hard }) => hard.length);
  expect(counts).toHaveLength(50);
  expect(percentile(counts, 50), table()).toBeLessThanOrEqual(1);
  expect(percentile(counts, 95), table()).toBeLessThanOrEqual(3);
});

test('[GATE-03] a routine case that follows its plan is never interrupted, nor remarked on', () => {
  const routine = played.filter(({ name }) => name.startsWith('routine'));
  expect(routine.length).toBeGreaterThan(10);
  expect(
    routine.flatMap(({ hard, soft }) => [...hard, ...soft]),
    table(),
  ).toEqual([]);
});

/**
 * It found that a step come back to alerted anew. The planted bug it has caught: causes raised
 * before were not told to the gates, so that each came up twice.
 */
test('[GATE-04] one cause alerts once in a case, however often it comes up', () => {
  const twice = played.filter(({ hard, soft }) =>
    [hard, soft].some((causes) => new Set(causes).size !== causes.length),
  );
  expect(twice, table()).toEqual([]);
});

test('[GATE-03] each script meets what it is named for: the count is no count of nothing', () => {
  const met = (name: string) => {
    const one = played.find((case_) => case_.name === name);
    return [...(one?.hard ?? []), ...(one?.soft ?? [])].map((cause) => cause.split(' ')[0]);
  };
  expect(met('other coil'), table()).toContain('SOFT-05');
  expect(met('expired coil'), table()).toContain('SOFT-12');
  expect(met('tenfold slip'), table()).toContain('SOFT-02');
  for (const name of ['no blood return twice', 'second puncture', 'goes on without blood']) {
    expect(met(name), table()).toEqual(['BLOOD-RETURN']);
  }
  expect(met('two answers wait'), table()).toContain('HARD-06');
  expect(met('measured again'), table()).toContain('HARD-03');
  expect(met('over the limit'), table()).toContain('HARD-04');
  expect(met('stop too deep'), table()).toContain('HARD-05');
  expect(met('wrong digits'), table()).toEqual(['HARD-01']);
  expect(met('forgotten follow-up'), table()).toEqual(['HARD-08']);
});
