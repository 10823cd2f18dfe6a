/** Every sentence of the Surveillance screen. */
import { choices, forRecord, lookUp, say, withMore, words } from './say';

const said = words('surveillance');

export const surveillance = withMore(said, {
  inputs: lookUp(said.inputs),
  indications: lookUp(said.indications),
  states: lookUp(said.states),
  status: lookUp(said.status),
  owner: lookUp(said.owner),
  standing: lookUp(said.standing),
  flowChoices: choices(said.flowChoices),
  obliteratedChoices: choices(said.obliteratedChoices),
  retreatedChoices: choices(said.retreatedChoices),
  bledChoices: choices(said.bledChoices),
  endReasons: choices(said.endReasons),
  recordedAs: {
    attended: forRecord('surveillance.attended').toLowerCase(),
    elsewhere: forRecord('surveillance.elsewhere').toLowerCase(),
    byHand: forRecord('surveillance.hand.kept'),
    placeUnknown: forRecord('surveillance.placeUnknown'),
  },
  inMonths: (count: number) => say('surveillance.inMonths', { count }),
  aroundDays: (count: number) => say('surveillance.aroundDays', { count }),
  addVisit: (label: string, day: string) => say('surveillance.addVisit', { label, day }),
  added: (label: string) => say('surveillance.added', { label }),
  /** What the answer names as missing, each as one line with what to do (FU14, FU19). */
  missingLines: (missing: readonly string[]) =>
    missing.map((key) => lookUp(said.missing)[key.split('.').at(-1) ?? ''] ?? key),
  ruleFile: (name: string, version: number) => say('surveillance.ruleFile', { name, version }),
  window: (range: string) => say('surveillance.window', { range }),
  target: (day: string, distance: string) => say('surveillance.target', { day, distance }),
  booked: (day: string, time: string) =>
    say('surveillance.booked', { when: time ? `${day}, ${time}` : day }),
  next: (label: string, day: string, owner: string) =>
    say('surveillance.next', { label, day, owner }),
  ended: (day: string, reason: string) => say('surveillance.ended', { day, reason }),
  makePlan: (count: number) => say('surveillance.makePlan', { count }),
  planWaits: (count: number) => say('surveillance.planWaits', { count }),
  updatePlan: (fresh: number, moved: number) =>
    say('surveillance.updatePlan', {
      changes: [
        ...(fresh > 0 ? [say('surveillance.newVisits', { count: fresh })] : []),
        ...(moved > 0 ? [say('surveillance.movedVisits', { count: moved })] : []),
      ].join(', '),
    }),
  assumed: (names: string) => say('surveillance.assumed', { names }),
  saved: (act: string) => say('surveillance.saved', { act }),
  openVisits: (count: number) => say('surveillance.openVisits', { count }),
  whatHappenedTo: (label: string) => say('surveillance.whatHappenedTo', { label }),
});
