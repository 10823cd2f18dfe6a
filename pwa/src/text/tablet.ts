/** Sentences of the place "This tablet", of the status line and of the edge below (UX-19, UX-23). */
import type { ExchangeStanding } from '../ports';
import { midSentence, say, withMore, words } from './say';

const HOUR_MIN = 60;
/** Until then an age is told in minutes. */
const LONG_MIN = 120;

/** Return an age in words; under a minute it is "". */
function ageText(minutes: number): string {
  if (minutes < 1) return '';
  return minutes < LONG_MIN
    ? say('status.minutes', { count: minutes })
    : say('status.hours', { count: Math.floor(minutes / HOUR_MIN) });
}

/** Why a key pressed in learning is not taken. */
export const pedalRefusals = withMore(words('pedal'), {
  ofOthers: (name: string) => say('pedal.ofOthers', { name }),
  taken: (name: string, act: 'primary' | 'back') =>
    say('pedal.taken', { name, act: act === 'primary' ? 'primary' : 'other' }),
});

export const tabletWords = withMore(words('tablet'), {
  named: (name: string, unit: string) => say('tablet.named', { name, unit }),
  noted: (on: string, time: string, by: string, open: number) =>
    by === ''
      ? say('tablet.noted', { when: `${on} ${time}`, open })
      : say('tablet.notedBy', { when: `${on} ${time}`, by, open }),
  note: (open: number) => say('tablet.note', { open }),
  pedalHeard: (name: string) => say('tablet.pedalHeard', { name }),
  pedalLearned: (name: string) => say('tablet.pedalLearned', { name }),
  pedalKnown: (name: string) => say('tablet.pedalKnown', { name }),
});

/** Words of the check, row by row. */
export const checkWords = withMore(words('check'), {
  free: (megabytes: number) => say('check.free', { megabytes }),
  heard: (name: string) => say('check.heard', { name }),
  learnedKeys: (count: number) => say('check.learnedKeys', { count }),
  battery: (perCent: number, isCharging: boolean) =>
    say('check.battery', { perCent, charging: isCharging ? 'yes' : 'other' }),
  offset: (seconds: number) => say('check.offset', { seconds }),
  exchanged: (minutes: number, unsent: number) => {
    const time = ageText(minutes);
    return say('check.exchanged', { age: time === '' ? 'none' : 'other', time, unsent });
  },
  build: (build: string) => build,
});

const statusSaid = words('status');

/** Return how long something has waited for the unit, in words. */
export function waitedText(ageMs: number): string {
  return ageText(Math.max(0, Math.floor(ageMs / 60_000))) || statusSaid.underMinute;
}

/** Words of the status line. */
export const statusWords = withMore(statusSaid, {
  states: statusSaid.states satisfies Record<ExchangeStanding['state'], string>,
  unsent: (count: number, ageMs: number, state: string) => {
    return say('status.unsent', { count, age: waitedText(ageMs), state: midSentence(state) });
  },
  battery: (perCent: number) => say('status.battery', { perCent }),
  batteryCharging: (perCent: number) => say('status.batteryCharging', { perCent }),
  batteryLow: (perCent: number) => say('status.batteryLow', { perCent }),
});

/** Words of the edge below: cues, and what stands for longer. */
export const edgeWords = words('edge');
export const wipeWords = words('wipe');
export const startWords = words('start');
