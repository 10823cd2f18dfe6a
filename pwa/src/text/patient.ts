/** Every sentence of the Patient screen. */
import { choices, withMore, words } from './say';

const said = words('patient');

export const patientText = withMore(said, {
  sexes: choices(said.sexes),
  needChoices: choices(said.needChoices),
  identities: choices(said.identities),
});
