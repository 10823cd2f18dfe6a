/** Sentences of the About screen; CAU-01 and CAU-11 of the safety requirements. */
import { say, withMore, words } from './say';

export const about = words('about');

/** How often gates were passed in the cases here (GATE-05). */
export const ruleHealth = withMore(words('gatesPassed'), {
  onThisTablet: (cases: number) => say('gatesPassed.onThisTablet', { cases }),
});
