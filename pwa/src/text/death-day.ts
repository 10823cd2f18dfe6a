/** Sentences on the day on which a person died. */
import { type DeathDay, findDeathFault } from '../state/death-day';
import { dayWords } from '../state/surveillance-dates';
import { say, withMore, words } from './say';

const said = words('deathDay');

export const deathDay = withMore(said, {
  /** How a death stands, with its day where that is known. */
  died: (on: DeathDay) => {
    if (on === undefined) return said.notEntered;
    return on === null ? said.unknown : say('deathDay.died', { day: dayWords(on) });
  },
  /** Why a person cannot have died on a day, and what to do; "" where it may be. */
  refuse: (on: string, treatedOn: string, todayOn: string) => {
    const fault = findDeathFault(on, treatedOn, todayOn);
    if (fault === '') return '';
    const day = dayWords(on);
    return fault === 'to-come'
      ? say('deathDay.toCome', { day })
      : say('deathDay.beforeTreatment', { day, treated: dayWords(treatedOn) });
  },
});
