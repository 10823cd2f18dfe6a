/** The sentence about a tablet that is set to another time zone than its unit. */
import { say, withMore, words } from './say';

export const zoneWords = withMore(words('zone'), {
  other: (zone: string) => say('zone.other', { zone }),
});
