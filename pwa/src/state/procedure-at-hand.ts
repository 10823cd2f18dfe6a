/**
 * What is at hand on the step on screen: the coil, the amount and the medium that its primary
 * action names, and the gate that stands in its way. Pure, of a session.
 */
import type { Facts } from '../clinical-rules/gate-facts';
import type { Step, StepEvent } from '../clinical-rules/step-protocol';
import { changeRecorded } from '../text/plan-changes';
import { lotNames } from '../text/procedure';
import { lotsLeftOut } from './close-out';
import { packageFacts } from './label-facts';
import { packagesBySerial, takeLaidOut } from './laid-out';
import { passes, type StandingGate } from './override';
import type { ProcedureSession } from './procedure.svelte';
import { findEvent } from './procedure-events';
import { injectionMs, limitStanding } from './procedure-limits';
import { isEstimated, lotOfDevice, type StockChoice } from './procedure-plan';
import { idOf, type Json, type RecordState, structureOf, textOf, valuesOf } from './shown';
import { pureShareUl } from './tally';

/** The coil of the plan that comes next in this target, null where the plan names none. */
export function plannedCoil(session: ProcedureSession): StockChoice | null {
  const { target } = session;
  if (target === null) return null;
  const pick = target.picks[session.tally(target.record).coils];
  return session.coils.find(({ record }) => record === pick || idOf(record) === pick) ?? null;
}

/** The coil that the primary action records: that of the package, the one chosen, the planned one. */
export function coilAtHand(session: ProcedureSession): StockChoice | null {
  const stock = textOf(session.opened, 'stock_id');
  const ofPackage = session.coils.find(({ record }) => record === stock);
  if (session.step?.takes === 'coil' && ofPackage) return ofPackage;
  return session.answers.stock ?? plannedCoil(session);
}

/** Say whether the step asks for the needle: none was opened yet, whatever lies on the table. */
export function needsNeedle({ step, record, laidOut }: ProcedureSession): boolean {
  const isNeedle = (one: RecordState) =>
    valuesOf(one, 'item').at(-1)?.value === 'needle' && !laidOut.includes(one);
  return step?.id === 'needle_flushed' && !record.standing('package_opened').some(isNeedle);
}

/**
 * The ampoule that an aliquot comes from while nobody presses or scans another, null before the
 * first; its lot "" where nobody knows it.
 */
export function ampouleInUse(session: ProcedureSession): { name: string; lot: string } | null {
  const { adhesivePackage: held, adhesives } = session;
  if (held === null) return null;
  const lot = lotOfDevice(structureOf(held, 'device') ?? {});
  const stock = adhesives.find(({ record }) => record === textOf(held, 'stock_id'));
  return { name: stock?.name ?? '', lot: lot?.lot || lot?.serial || '' };
}

/** The amount the primary action names: the one entered, else the planned one. */
export function amountAtHand(session: ProcedureSession): number | null {
  const { step, answers, adhesive } = session;
  if (answers.amount !== null) return answers.amount;
  if (step?.takes === 'adhesive') return adhesive.aliquotUl;
  return step?.id === 'dead_space_flush' ? adhesive.flushUl : null;
}

/** The medium chosen, else the only one that goes with the adhesive. */
export function mediumAtHand(session: ProcedureSession): string | null {
  const { answers, flushMedia } = session;
  return answers.medium ?? (flushMedia.length === 1 ? (flushMedia[0] ?? null) : null);
}

/** How long the amount at hand takes; null where the rules give no time, as for more than an aliquot. */
export function plannedMsAtHand(session: ProcedureSession): number | null {
  const { limits } = session;
  const amount = amountAtHand(session);
  if (amount === null || limits === null) return null;
  const isTimed = session.step?.takes === 'flush' || amount <= limits.aliquotUl;
  return isTimed ? injectionMs(amount, limits) : null;
}

/** Pure adhesive of the amount at hand; of a mix with unknown parts all of it. */
export function pureAtHandUl(session: ProcedureSession): number {
  const { partsAdhesive, partsOil } = session.adhesive;
  const amount = amountAtHand(session) ?? 0;
  return partsAdhesive && partsOil !== null
    ? pureShareUl(amount, partsAdhesive, partsAdhesive + partsOil)
    : amount;
}

/** Where the session stands against its limits once the amount at hand is given (AD5). */
export function limitAtHand(session: ProcedureSession) {
  return limitStanding(session.givenUl, pureAtHandUl(session), session.limits);
}

/** What the gates are told of the step on screen; nothing while its timer runs. */
export function factsAtHand(session: ProcedureSession): Facts {
  const { step, answers, distanceUm } = session;
  if (step === null || session.isTimerHere()) return {};
  if (step.id === 'stop_set' && answers.amount !== null && distanceUm !== null) {
    return { stop_um: answers.amount, measured_distance_um: distanceUm };
  }
  if (step.takes !== 'adhesive' || session.isRecordOnly) return {};
  return {
    ...planFacts(session),
    ...(amountAtHand(session) === null
      ? {}
      : { pure_ul_given: session.givenUl, pure_ul_next: pureAtHandUl(session) }),
  };
}

/** What the gates are told of the plan: two answers are said as such, not as a plan out of date. */
export function planFacts(session: ProcedureSession): Facts {
  const { planStanding: standing, conflicts } = session;
  if (session.isRecordOnly) return {};
  if (conflicts.length > 0) return { conflicts };
  return standing.kind === 'out-of-date'
    ? { plan_standing: 'out-of-date', plan_changes: standing.changes.map(changeRecorded) }
    : { plan_standing: standing.kind };
}

/**
 * What the gates are told of the package at hand: of the lot that was chosen or scanned, before
 * that of the package that the primary action takes. Of that one only whether it is expired or
 * recalled: counts, items and serial numbers are held against a label that somebody reads now.
 */
export function labelFacts(session: ProcedureSession): Facts {
  const { step, answers } = session;
  if (step === null) return {};
  const isCoil = step.takes === 'package' || step.takes === 'coil';
  const stock = isCoil ? coilAtHand(session) : answers.stock;
  if (stock === null) return {};
  const laidOut = takeLaidOut(session.laidOut, stock.record, answers.lot);
  const taken = (step.takes === 'coil' ? session.opened : null) ?? laidOut;
  const lot = answers.lot ?? lotOfDevice(structureOf(taken, 'device') ?? {});
  if (lot === null) return {};
  const atHand = {
    item: stock.item,
    stock: stock.record,
    identifier: lot.identifier,
    lot: lot.lot,
    serial: lot.serial ?? '',
    expiresOn: lot.expiresOn,
  };
  const { knownPackages } = session;
  // The package that is being completed was opened at the step before, and by nobody else; one
  // that was laid out is the one at hand.
  const packages = knownPackages.packages.filter(
    ({ record }) =>
      record !== laidOut?.record && (step.takes !== 'coil' || record !== session.opened?.record),
  );
  const facts = packageFacts(atHand, { ...knownPackages, packages }, session.todayOn);
  if (answers.lot) return facts;
  const {
    serial_opened_before: _serial,
    lot_known_as: _items,
    lot_count: _count,
    ...unasked
  } = facts;
  return unasked;
}

/**
 * The remarks on that package (SOFT-12 to SOFT-14). A reason that was given when it was opened is
 * not asked for again when its coil is placed.
 */
export function labelRemarks(session: ProcedureSession): StandingGate[] {
  const { step, answers, record, round } = session;
  const standing = session.gatesOn(labelFacts(session));
  if (standing.length === 0 || step?.takes !== 'coil' || answers.lot) return standing;
  const opening = findEvent(record.all('step_event'), 'package_opened', round);
  const given = structureOf(opening, 'answers')?.used_because;
  const causes = (Array.isArray(given) ? (given as { cause?: Json }[]) : []).map(
    (one) => one.cause,
  );
  return standing.map((one) =>
    causes.includes(one.gate.cause) ? { ...one, gate: { ...one.gate, reasons: [] } } : one,
  );
}

/** The reason pressed for each remark that asks why; null while one of them waits (GT18). */
export function whyUsed(session: ProcedureSession): Record<string, string> | null {
  const said: Record<string, string> = {};
  for (const { gate } of labelRemarks(session)) {
    if (gate.reasons.length === 0) continue;
    const reason = session.answers.why[gate.cause];
    if (reason === undefined) return null;
    said[gate.cause] = reason;
  }
  return said;
}

/**
 * Packages on the table of which somebody has to say which by its serial number, with the serial
 * that was said, "" for one not read, null while nobody has said (SK21).
 */
export function serialChoice(session: ProcedureSession): {
  packages: RecordState[];
  chosen: string | null;
} {
  const { step, answers, laidOut } = session;
  const isCoil = step?.takes === 'package' || step?.takes === 'coil';
  const stock = isCoil ? coilAtHand(session) : answers.stock;
  // The package of this coil was opened at the step before.
  const isOpened = step?.takes === 'coil' && session.opened !== null;
  if (stock === null || isOpened) return { packages: [], chosen: null };
  const { lot } = answers;
  return {
    packages: packagesBySerial(laidOut, stock.record, lot),
    chosen: lot?.serial ? lot.serial : lot?.isSerialUnread ? '' : null,
  };
}

/** Say whether a serial number is to be pressed before the package at hand is known. */
export function waitsForSerial(session: ProcedureSession): boolean {
  const { packages, chosen } = serialChoice(session);
  return packages.length > 0 && chosen === null;
}

/** Return the gate that stands in the way of the step on screen, null where none does. */
export function gateAtHand(session: ProcedureSession): StandingGate | null {
  const { override } = session.answers;
  return (
    session
      .gatesOn(factsAtHand(session))
      .find(
        (one) => one.gate.level === 'hard' && !session.isPassed(one) && !passes(override, one),
      ) ?? null
  );
}

/** Return what stands between two steps, where the next move is chosen (BLOOD-RETURN). */
export function gatesOfMoves(session: ProcedureSession): StandingGate[] {
  return session.progress.gates.flatMap(({ level }) =>
    session.gatesOn({ blood_return: { seen: false, wants_adhesive: level === 'hard' } }),
  );
}

/** Return what interrupts on screen now: the hard gates alone, each to be dealt with (GATE-03). */
export function interruptions(session: ProcedureSession): StandingGate[] {
  if (session.isChoosing) {
    return gatesOfMoves(session).filter(({ gate }) => gate.level === 'hard');
  }
  const gate = gateAtHand(session);
  return gate === null ? [] : [gate];
}

/**
 * What the gates are told of the step on screen beside what it asks; soft remarks alone come of it
 * (SOFT-03, SOFT-04).
 */
export function besideFacts(session: ProcedureSession): Facts {
  const { step, record, target } = session;
  switch (step?.id) {
    case 'time_out':
    case 'aliquot_ready':
      return { unticked: untickedItems(session.steps, session.events) };
    case 'injection': {
      const size = record.all('target').find((one) => one.record === target?.record);
      return size && isEstimated(size) ? { estimated_inputs: [target?.label ?? ''] } : {};
    }
    case 'implants_recorded':
      return {
        lots_missing: lotsLeftOut({
          packages: record.all('package_opened'),
          coils: record.all('coil_placed'),
          punctures: record.all('puncture'),
          adhesives: record.all('adhesive_injected'),
        }).map((item) => lotNames[item]),
      };
    default:
      return {};
  }
}

/**
 * Return the titles of the first phase's ticks that nobody ticked; one skipped with its reason is
 * said (SOFT-04).
 */
export function untickedItems(steps: readonly Step[], events: readonly StepEvent[]): string[] {
  const phase = steps[0]?.phase;
  return steps
    .filter((step) => step.phase === phase && step.takes === 'tick')
    .filter(({ id }) => {
      const last = events.findLast((event) => event.step === id);
      return last === undefined || last.outcome === 'not-seen';
    })
    .map(({ title }) => title);
}
