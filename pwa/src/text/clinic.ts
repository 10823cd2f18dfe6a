/** Every sentence of the Clinic screens. No clinical finding is ever named here. */
import type { OverReason } from '../clinical-rules/session-places';
import type { Group } from '../state/worklist';
import { choices, forRecord, lookUp, reasons, say, withMore, words } from './say';

const said = words('clinic');
const other = {
  id: forRecord('clinic.otherReason'),
  get words() {
    return said.otherReason;
  },
};
/** The words of a visit that took place or did not: a person comes to one, a call reaches one. */
const met = {
  get came() {
    return said.came;
  },
  get cameDone() {
    return said.cameDone;
  },
  get missed() {
    return said.didNotCome;
  },
  get missedDone() {
    return said.noShowDone;
  },
  get whyMissed() {
    return said.whyNoShow;
  },
  reasons: [...reasons('clinic.noShowReasons', said.noShowReasons), other],
};
const metByPhone: typeof met = {
  get came() {
    return said.callReached;
  },
  get cameDone() {
    return said.callReachedDone;
  },
  get missed() {
    return said.callMissed;
  },
  get missedDone() {
    return said.callMissedDone;
  },
  get whyMissed() {
    return said.whyCallMissed;
  },
  reasons: [...reasons('clinic.callMissedReasons', said.callMissedReasons), other],
};
const outsideReasons = reasons('clinic.outsideReasons', said.outsideReasons);
/** The last of them: said of a window that is over, and of no other. */
const windowOver = outsideReasons.at(-1);
const joined = (...parts: string[]) => parts.filter((part) => part !== '').join(', ');

export const clinic = withMore(said, {
  groups: said.groups satisfies Record<Group, string>,
  noPlace: said.noPlace satisfies Record<OverReason, string>,
  owner: lookUp(said.owner),
  status: lookUp(said.status),
  closedBecause: lookUp(said.closedBecause),
  cancelledBy: lookUp(said.cancelledBy),
  met: (isByPhone: boolean) => (isByPhone ? metByPhone : met),
  pastWindow: (count: number) => say('clinic.pastWindow', { count }),
  pastWindowLine: (name: string, stands: string, past: string) =>
    say('clinic.pastWindowLine', { name, stands, past }),
  pastWindowStands: said.pastWindowStands satisfies Record<Group, string>,
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
  idNumber: (id: string) => say('clinic.idNumber', { id }),
  actBy: (day: string) => say('clinic.actBy', { day }),
  triesCount: (count: number) => say('clinic.triesCount', { count }),
  urgency: (level: number) => say('clinic.urgency', { level }),
  similar: (names: string) => say('clinic.similar', { names }),
  more: (left: number) => say('clinic.more', { left }),
  holds: (name: string, count: number) => say('clinic.holds', { name, count }),
  handOverPress: (count: number, name: string) => say('clinic.handOverPress', { count, name }),
  handOverDone: (count: number, name: string) => say('clinic.handOverDone', { count, name }),
  giveDone: (name: string) => say('clinic.giveDone', { name }),
  nextTryOn: (day: string) => say('clinic.nextTryOn', { day }),
  paperDay: (day: string) => say('clinic.paperDay', { day }),
  paperWeek: (range: string) => say('clinic.paperWeek', { range }),
  paperAsOf: (when: string) => say('clinic.paperAsOf', { when }),
  bookedCount: (count: number) => say('clinic.bookedCount', { count }),
  // --- recorded with the act: the record keeps the id, which is English
  outsideReasons: (isWindowOver: boolean) => [
    ...outsideReasons.filter((reason) => isWindowOver || reason !== windowOver),
    other,
  ],
  cancelReasons: [...reasons('clinic.cancelReasons', said.cancelReasons), other],
  unitCancelReasons: reasons('clinic.unitCancelReasons', said.unitCancelReasons),
  clinicianReasons: [...reasons('clinic.clinicianReasons', said.clinicianReasons), other],
  decideReasons: [...reasons('clinic.decideReasons', said.decideReasons), other],
  reopenReasons: [...reasons('clinic.reopenReasons', said.reopenReasons), other],
  because: {
    another: forRecord('clinic.another'),
    give: forRecord('clinic.give'),
    handOver: forRecord('clinic.handOverTitle'),
  },
  views: choices(said.views),
  span: choices(said.span),
  how: choices(said.how),
  result: choices(said.result),
  nextTry: choices(said.nextTry),
  endReasons: choices(said.endReasons),
  letterKinds: lookUp(said.letterKinds),
  lettersMade: (count: number) => say('clinic.lettersMade', { count }),
  remindersMade: (count: number) => say('clinic.remindersMade', { count }),
});
