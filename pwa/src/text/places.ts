/** Names of the places to go. */
import type { CasePlace } from '../state/place.svelte';
import { say, withMore, words } from './say';

const said = words('places');

export const places = withMore(said, {
  inCase: said.inCase satisfies Record<CasePlace, string>,
  openDecisions: (count: number) => say('places.openDecisions', { count }),
});
