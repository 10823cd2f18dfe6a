/** Every sentence of the Clinic screen. No clinical finding is ever named here. */
import type { Group } from '../state/worklist';
import { choices, forRecord, lookUp, reasons, say, withMore, words } from './say';

const said = words('clinic');
const other = {
  id: forRecord('clinic.otherReason'),
  get words() {
    return said.otherReason;
  },
};
const joined = (...parts: string[]) => parts.filter((part) => part !== '').join(', ');

export const clinic = withMore(said, {
  groups: said.groups satisfies Record<Group, string>,
  owner: lookUp(said.owner),
  status: lookUp(said.status),
  pastTarget: (days: number) =>
    days < 0 ? say('clinic.toTarget', { days: -days }) : say('clinic.pastTarget', { days }),
  window: (range: string) => say('clinic.window', { range }),
  target: (day: string) => say('clinic.target', { day }),
  bookedFor: (day: string, time: string, place: string) =>
    say('clinic.bookedFor', { when: joined(day, time, place) }),
  free: (free: number, capacity: number) => say('clinic.free', { free, capacity }),
  fromTarget: (days: number) =>
    days < 0 ? say('clinic.beforeTarget', { days: -days }) : say('clinic.afterTarget', { days }),
  bookDone: (day: string) => say('clinic.bookDone', { day }),
  // --- recorded with the act: the record keeps the id, which is English
  outsideReasons: [...reasons('clinic.outsideReasons', said.outsideReasons), other],
  noShowReasons: [...reasons('clinic.noShowReasons', said.noShowReasons), other],
  cancelReasons: [...reasons('clinic.cancelReasons', said.cancelReasons), other],
  because: {
    another: forRecord('clinic.another'),
    toBooking: forRecord('clinic.toBooking'),
    toClinician: forRecord('clinic.toClinician'),
  },
  how: choices(said.how),
  result: choices(said.result),
  endReasons: choices(said.endReasons),
});
