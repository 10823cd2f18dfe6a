/** What was recorded at the bedside, act by act: for the list of last acts and the undo button. */
import type { Move, Step } from '../clinical-rules/step-protocol';
import { language } from '../state/language.svelte';
import { OWN_PLAN_STEP, type PassedAct } from '../state/procedure-events';
import { ALIQUOT_STEP, partsInAnswers } from '../state/procedure-parts';
import { mlText, mmText } from '../state/tally';
import { partsWords } from './plan';
import { coilWords, moveWords, procedure } from './procedure';
import { lookUp, midSentence, say, words } from './say';
import { tickWords, titleOf, yesNoWords } from './steps';

type Parts = { readonly [part: string]: unknown };
const said = words('acts');
const events = lookUp(procedure.events);
const moves = lookUp(procedure.moves);

/** Return an act in words. */
export function actWords(act: PassedAct, steps: readonly Step[]): string {
  const { set } = act;
  if (set.step === OWN_PLAN_STEP) return said.ownPlan;
  if (act.kind === 'complication') return events[String(set.what)] ?? String(set.what);
  if (act.count > 1) return say('acts.leftOut', { count: act.count });
  const step = steps.find(({ id }) => id === set.step);
  if (step === undefined) {
    const move = String(set.move ?? '');
    return move === '' ? String(set.step ?? '') : move in moves ? moveWords(move as Move) : move;
  }
  const title = titleOf(step);
  if (set.outcome === 'skipped') return say('acts.skipped', { title });
  if (set.outcome === 'override') return say('acts.wentOn', { title });
  return answerWords(step, set.outcome === 'done', (set.answers ?? {}) as Parts);
}

function answerWords(step: Step, isDone: boolean, answers: Parts): string {
  const title = titleOf(step);
  const loop = coilWords(answers.loop_um);
  switch (step.takes) {
    case 'yes_no': {
      const { primary, second } = yesNoWords(step);
      return primary[1] === isDone ? primary[0] : second;
    }
    case 'package':
      return isDone ? say('acts.package', { loop }) : say('acts.notDone', { title });
    case 'coil':
      return isDone
        ? say('acts.coil', { slot: String(answers.slot ?? ''), loop })
        : say('acts.notFormed', { loop });
    case 'adhesive':
      return isDone && typeof answers.mix_ul === 'number'
        ? say('acts.mix', { amount: mlText(answers.mix_ul) })
        : say('acts.notGiven', { title });
    case 'flush':
      return typeof answers.flush_ul === 'number'
        ? say('acts.flush', { amount: mlText(answers.flush_ul) })
        : title;
    case 'length_um':
      return measuredWords(title, answers.length_um, mmText);
    case 'amount_ul':
      return measuredWords(title, answers.amount_ul, mlText);
    default:
      if (isDone && typeof answers.length_um === 'number') {
        return measuredWords(tickWords(step), answers.length_um, mmText);
      }
      return isDone ? drawnUpWords(step, answers) : say('acts.notSo', { title });
  }
}

/** A tick, with the parts of adhesive and oil where the step before the injection keeps them. */
function drawnUpWords(step: Step, answers: Parts): string {
  const title = tickWords(step);
  const parts = step.id === ALIQUOT_STEP ? partsInAnswers(answers) : null;
  if (parts === null) return title;
  return parts === 'unknown'
    ? say('acts.partsUnknown', { title })
    : say('acts.drawnUp', { title, parts: midSentence(partsWords(parts.adhesive, parts.oil)) });
}

function measuredWords(title: string, held: unknown, text: (amount: number) => string): string {
  return typeof held === 'number' ? say('acts.measured', { title, amount: text(held) }) : title;
}

/** Return how the undo button names an act: "coil 2", else its words. */
export function undoName(act: PassedAct, steps: readonly Step[]): string {
  const { slot } = (act.set.answers ?? {}) as Parts;
  if (act.set.step === 'coil_formed' && act.set.outcome === 'done' && slot) {
    return say('acts.undoCoil', { slot: String(slot) });
  }
  const words = actWords(act, steps);
  // A German noun keeps its capital, and so does the mark of a sentence in English.
  const keepsCapital = language.current.rules === 'de' || /^\p{P}/u.test(words);
  return keepsCapital ? words : words.charAt(0).toLowerCase() + words.slice(1);
}
