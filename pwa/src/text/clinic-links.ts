/** Every sentence of the view of calendar links. No clinical finding is ever named here. */
import { choices, say, withMore, words } from './say';

const said = words('clinicLinks');

export const clinicLinks = withMore(said, {
  scopes: choices(said.scopes),
  make: (name: string) => say('clinicLinks.make', { name }),
  shownOnce: (name: string) => say('clinicLinks.shownOnce', { name }),
  madeOn: (day: string) => say('clinicLinks.madeOn', { day }),
  closeName: (name: string) => say('clinicLinks.closeName', { name }),
  closedOn: (day: string) => say('clinicLinks.closedOn', { day }),
});
