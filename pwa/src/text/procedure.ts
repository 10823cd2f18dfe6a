/** Sentences of the Procedure screen: at most six words at the bedside (UX-19). */
import type { Move } from '../clinical-rules/step-protocol';
import type { CountedItem } from '../state/close-out';
import { mmText } from '../state/tally';
import { forRecord, lookUp, reasons, say, withMore, words } from './say';

const said = words('procedure');
const agents = lookUp(said.agents);
const media = lookUp(said.media);

export const procedure = withMore(said, {
  plannedFor: (planned: string, today: string) => say('procedure.plannedFor', { planned, today }),
  toPunctureNote: (count: number) => say('procedure.toPunctureNote', { count }),
  restored: (time: string, last: string) => say('procedure.restored', { time, last }),
  undo: (what: string) => say('procedure.undo', { what }),
  inRound: (target: string, puncture: number) => say('procedure.inRound', { target, puncture }),
  recordWater: (amount: string) => say('procedure.recordWater', { amount }),
  recordDistance: (length: string) => say('procedure.recordDistance', { length }),
  recordStop: (length: string) => say('procedure.recordStop', { length }),
  recordCoil: (slot: number, loop: string) => say('procedure.recordCoil', { slot, loop }),
  openPackage: (loop: string) => say('procedure.openPackage', { loop }),
  startInjection: (amount: string) => say('procedure.startInjection', { amount }),
  stopInjection: (amount: string) => say('procedure.stopInjection', { amount }),
  startFlush: (amount: string, medium: string) =>
    medium === ''
      ? say('procedure.startFlush', { amount })
      : say('procedure.startFlushWith', { amount, medium }),
  allGiven: (amount: string) => say('procedure.allGiven', { amount }),
  stopFlush: (amount: string) => say('procedure.stopFlush', { amount }),
  flushed: (words: string, amount: string) => say('procedure.flushed', { words, amount }),
  lotExpired: (on: string) => say('procedure.lotExpired', { on }),
  lotExpires: (on: string) => say('procedure.lotExpires', { on }),
  moreLots: (count: number) => say('procedure.moreLots', { count }),
  asPlanned: (words: string) => say('procedure.asPlanned', { words }),
  /** One amount where there is no oil, that of the mix where there is, and unknown said as such. */
  injected: (oil: number | null) => {
    if (oil === null) return said.mixUnknown;
    return oil === 0 ? said.pureNoOil : said.mixWithOil;
  },
  /** Before the number of the needle's stop that the rule holds. */
  fromMargin: (margin: string) => say('procedure.fromMargin', { margin }),
  lessMargin: (margin: string, stop: string) => say('procedure.lessMargin', { margin, stop }),
  ratio: (pure: number, oil: number) =>
    oil === 0 ? said.noOil : say('procedure.ratio', { oil: oilPerPart(oil, pure) }),
  agent: (agent: string | null) => (agent ? agentWords(agent) : said.noAgent),
  of: (planned: string) => say('procedure.of', { planned }),
  aboveSoft: (total: string, limit: string) => say('procedure.aboveSoft', { total, limit }),
  hold: (words: string) => say('procedure.hold', { words }),
  basis: (basis: string) => (basis ? say('procedure.basis', { basis }) : ''),
  /** What going on means, gate by gate. */
  goOn: lookUp(said.goOn),
  tally: withMore(said.tally, {
    /** The name of what is counted, with what the plan says of it where it says it. */
    named: (name: string, planned: string) =>
      planned === '' ? name : say('procedure.tally.ofPlan', { name, planned }),
    withoutAmount: (count: number) => say('procedure.tally.withoutAmount', { count }),
    unknownParts: (amount: string) => say('procedure.tally.unknownParts', { amount }),
  }),
  // --- recorded with the act: the record keeps the id, which is English
  reasons: reasons('procedure.reasons', said.reasons),
  notSoReasons: reasons('procedure.notSoReasons', said.notSoReasons),
  identityOpen: forRecord('procedure.emergency'),
});

/** Parts of oil to one part of adhesive, half up to the nearest thousandth. */
function oilPerPart(oil: number, pure: number): number {
  return Math.floor((2 * oil * 1_000 + pure) / (2 * pure)) / 1_000;
}

/**
 * Lots by what they are of, as a gate names those left out: in English, because the sentence of
 * the rules that takes them up is, and so is the cause that a record keeps.
 */
export const lotNames: Readonly<Record<CountedItem, string>> = {
  coil: forRecord('procedure.lots.coil'),
  needle: forRecord('procedure.lots.needle'),
  adhesive: forRecord('procedure.lots.adhesive'),
};

/** Return an adhesive in words; one that has none is shown as it is. */
export function agentWords(agent: string): string {
  return agents[agent] ?? agent;
}

export function moveWords(move: Move): string {
  return said.moves[move];
}

export function mediumWords(medium: string): string {
  return media[medium] ?? medium;
}

/** Return a coil that was placed: its loop; a size that nobody entered is said to be unknown. */
export function placedCoilWords(loopUm: unknown): string {
  return typeof loopUm === 'number' ? coilWords(loopUm) : said.coilUnsized;
}

/** Return a coil in words: its loop, where that is known. */
export function coilWords(loopUm: unknown): string {
  return typeof loopUm === 'number'
    ? say('procedure.loop', { length: mmText(loopUm) })
    : said.anyCoil;
}
