/** Every sentence of the view of proposed bookings. No clinical finding is ever named here. */
import type { ProposalStanding } from '../state/booking-proposals';
import { choices, lookUp, say, withMore, words } from './say';

const said = words('clinicProposals');

/** A proposal as it is spoken of. */
interface Named {
  name: string;
  day: string;
  starts: string;
  place: string;
}

export const clinicProposals = withMore(said, {
  standing: lookUp(said.standing),
  stands: said.stands satisfies Record<Exclude<ProposalStanding, 'open'>, string>,
  horizons: choices(said.horizons),
  open: (count: number) => say('clinicProposals.open', { count }),
  outside: (count: number) => say('clinicProposals.outside', { count }),
  kept: (count: number) => say('clinicProposals.kept', { count }),
  asOf: (when: string) => say('clinicProposals.asOf', { when }),
  acceptName: (named: Named) => say('clinicProposals.acceptName', { ...named }),
  acceptAll: (count: number) => say('clinicProposals.acceptAll', { count }),
  leaveOutName: (name: string) => say('clinicProposals.leaveOutName', { name }),
  takeBackName: (name: string) => say('clinicProposals.takeBackName', { name }),
  done: (count: number) => say('clinicProposals.done', { count }),
  unbookedTitle: (count: number) => say('clinicProposals.unbookedTitle', { count }),
});
