/** Every sentence of the view of sessions. No clinical finding is ever named here. */
import { choices, lookUp, reasons, say, withMore, words } from './say';

const said = words('clinicWeek');

/** A session as it is spoken of. */
interface Named {
  day: string;
  starts: string;
  place: string;
}

export const clinicWeek = withMore(said, {
  equipment: lookUp(said.equipment),
  title: (range: string) => say('clinicWeek.title', { range }),
  dueLine: (due: number, booked: number) => say('clinicWeek.dueLine', { due, booked }),
  bookedLine: (booked: number, places: number, free: number) =>
    say('clinicWeek.bookedLine', { booked, places, free }),
  overLine: (count: number) => say('clinicWeek.overLine', { count }),
  noSession: (days: string) => say('clinicWeek.noSession', { days }),
  over: (count: number) => say('clinicWeek.over', { count }),
  closeName: (session: Named) => say('clinicWeek.closeName', { ...session }),
  closeTitle: (session: Named) => say('clinicWeek.closeTitle', { ...session }),
  closeNote: (count: number) => say('clinicWeek.closeNote', { count }),
  closeDone: (count: number) => say('clinicWeek.closeDone', { count }),
  reopenName: (session: Named) => say('clinicWeek.reopenName', { ...session }),
  addPress: (count: number) => say('clinicWeek.addPress', { count }),
  addDone: (count: number) => say('clinicWeek.addDone', { count }),
  holidaysUntil: (day: string) => say('clinicWeek.holidaysUntil', { day }),
  holidayOpen: (day: string, name: string) => say('clinicWeek.holidayOpen', { day, name }),
  closedOn: (day: string, name: string) => say('clinicWeek.closedOn', { day, name }),
  alreadyThere: (count: number) => say('clinicWeek.alreadyThere', { count }),
  holidaysKnown: (count: number) => say('clinicWeek.holidaysKnown', { count }),
  equipmentChoices: choices(said.equipment),
  repeats: choices(said.repeats),
  seasons: choices(said.seasons),
  // --- recorded with the act: the record keeps the id, which is English
  closeReasons: reasons('clinicWeek.closeReasons', said.closeReasons),
  reopenReasons: reasons('clinicWeek.reopenReasons', said.reopenReasons),
});
