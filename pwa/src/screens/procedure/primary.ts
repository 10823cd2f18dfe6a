/** What the one primary action of the step on screen says and does. */
import type { Step } from '../../clinical-rules/step-protocol';
import { isIdentityOpen } from '../../state/identity';
import { needsSecondPerson } from '../../state/override';
import type { ProcedureSession } from '../../state/procedure.svelte';
import {
  amountAtHand,
  coilAtHand,
  gateAtHand,
  mediumAtHand,
  plannedMsAtHand,
  waitsForSerial,
  whyUsed,
} from '../../state/procedure-at-hand';
import { mlText, mmText } from '../../state/tally';
import { isStopEarly } from '../../state/timer';
import { coilWords, mediumWords, moveWords, procedure } from '../../text/procedure';
import { tickWords, yesNoWords } from '../../text/steps';

export interface Primary {
  words: string;
  /** The words say what is missing; pressing does nothing. */
  isBlocked: boolean;
  press: () => unknown;
}

const open = (words: string, press: () => unknown): Primary => ({ words, isBlocked: false, press });
const blocked = (words: string): Primary => ({ words, isBlocked: true, press: () => undefined });

/** Return the primary action of what is on screen. */
export function primaryOf(session: ProcedureSession, toCloseOut: () => unknown): Primary {
  const { step } = session;
  if (session.isFinished) return open(procedure.toCloseOut, toCloseOut);
  const [move] = session.progress.choices;
  if (session.isChoosing && move) return open(moveWords(move), () => session.choose(move));
  return step === null ? blocked('') : primaryOfStep(session, step);
}

function primaryOfStep(session: ProcedureSession, step: Step): Primary {
  const { answers } = session;
  const amount = amountAtHand(session);
  switch (step.takes) {
    case 'yes_no': {
      const [words, isYes] = yesNoWords(step).primary;
      return open(words, () => session.pass(isYes ? 'done' : 'not-seen'));
    }
    case 'amount_ul':
      return amount === null
        ? blocked(procedure.waterFirst)
        : open(procedure.recordWater(mlText(amount)), () => session.pass('done'));
    case 'length_um': {
      const isStop = step.id === 'stop_set';
      if (amount === null) return blocked(isStop ? procedure.stopFirst : procedure.distanceFirst);
      if (gateAtHand(session) !== null) return blocked(procedure.stopGate);
      const words = isStop ? procedure.recordStop : procedure.recordDistance;
      return open(words(mmText(amount)), () => session.pass('done'));
    }
    case 'flush':
      return step.id === 'dead_space_flush'
        ? timedPrimary(session, amount)
        : plainFlush(session, step);
    case 'package':
    case 'coil': {
      const stock = coilAtHand(session);
      if (stock === null) return blocked(procedure.noCoilChosen);
      const why = whyUsed(session);
      if (why === null) return blocked(procedure.whyFirst);
      if (waitsForSerial(session)) return blocked(procedure.serialFirst);
      const loop = coilWords(stock.coil?.loop_um);
      const slot = session.target ? session.tally(session.target.record).coils + 1 : 1;
      const words =
        step.takes === 'coil' ? procedure.recordCoil(slot, loop) : procedure.openPackage(loop);
      return open(words, () => session.pass('done', { stock, why }));
    }
    case 'adhesive':
      return timedPrimary(session, amount);
    default: {
      if (step.id === 'identity' && isIdentityOpen(session.record.patient)) {
        return open(procedure.emergencyGoOn, () =>
          session.pass('skipped', { reason: procedure.identityOpen }),
        );
      }
      const why = whyUsed(session);
      if (why === null) return blocked(procedure.whyFirst);
      if (waitsForSerial(session)) return blocked(procedure.serialFirst);
      return open(tickWords(step), () => session.pass('done', { stock: answers.stock, why }));
    }
  }
}

function plainFlush(session: ProcedureSession, step: Step): Primary {
  const { amount } = session.answers;
  const words = step.id === 'needle_flushed' ? procedure.needleReady : procedure.flushPatent;
  const medium = mediumAtHand(session);
  const why = whyUsed(session);
  if (why === null) return blocked(procedure.whyFirst);
  if (waitsForSerial(session)) return blocked(procedure.serialFirst);
  return open(amount === null ? words : procedure.flushed(words, mlText(amount)), () =>
    session.pass('done', { medium, why }),
  );
}

/** Injection or dead-space flush: first press starts the time, the next records the amount. */
function timedPrimary(session: ProcedureSession, amount: number | null): Primary {
  const isFlush = session.step?.takes === 'flush';
  if (amount === null) return blocked(isFlush ? procedure.flushFirst : procedure.adhesiveFirst);
  const words = mlText(amount);
  if (session.isTimerHere()) {
    const record = () => session.pass('done', { amount, medium: mediumAtHand(session) });
    // Stopped long before the planned time: the planned amount is not taken for what was given.
    if (session.timer.isStopped) return open(procedure.allGiven(words), record);
    const stop = isFlush ? procedure.stopFlush : procedure.stopInjection;
    return open(stop(words), () => {
      const elapsedMs = session.timer.readNow()?.elapsedMs ?? 0;
      return isStopEarly(elapsedMs, plannedMsAtHand(session)) ? session.stopTimer() : record();
    });
  }
  const medium = mediumAtHand(session);
  if (isFlush && medium === null && session.flushMedia.length > 0) {
    return blocked(procedure.mediumFirst);
  }
  const gate = gateAtHand(session);
  if (gate !== null) {
    return blocked(needsSecondPerson(gate.gate) ? procedure.secondFirst : procedure.planFirst);
  }
  return open(
    isFlush
      ? procedure.startFlush(words, medium ? mediumWords(medium) : '').trim()
      : procedure.startInjection(words),
    () => session.startTimer(),
  );
}
