/** Every sentence of the place Implants, and of a patient's own list of implants. */
import type { Group, Search } from '../clinical-rules/implant-search';
import type { FoundImplant, Mark } from '../state/implant-owners';
import { dayWords, shortWords } from '../state/surveillance-dates';
import { coilWords } from './procedure';
import { choices, lookUp, reasons, say, withMore, words } from './say';

const said = words('implants');

export const implants = withMore(said, {
  items: choices(said.items),
  periods: choices(said.periods),
  reasons: reasons('implants.reasons', said.reasons),
  groups: said.groups satisfies Record<Group, string>,
  groupNotes: said.groupNotes satisfies Record<Group, string>,
  fromTablet: (when: string) => say('implants.fromTablet', { when }),
  dropped: (count: number) => say('implants.dropped', { count }),
  keptAtUnit: (count: number) => say('implants.keptAtUnit', { count }),
  notAsked: (why: string) => say('implants.notAsked', { why }),
  searchedFor: (lots: readonly string[]) => say('implants.searchedFor', { lots: lots.join(' · ') }),
  found: (count: number) => say('implants.found', { count }),
  unknownCount: (count: number) => say('implants.unknownCount', { count }),
  openCaseOf: (name: string) => say('implants.openCaseOf', { name }),
  noLetters: (why: string) => say('implants.noLetters', { why }),
  printed: (made: { printed: number; withheld: number }) =>
    say('implants.printed', { printed: made.printed, withheld: made.withheld }),
  moreRows: (count: number) => say('implants.moreRows', { count }),
  ofPeriod: periodWords,
});

const marks = lookUp(said.marks satisfies Record<Mark, string>);
const fates = lookUp(said.fates);
const devices = lookUp(said.device);
const differing = lookUp(said.differing);

/** Return what kind of device it was, of a coil its size, and what became of it. */
export function whatWords({
  kind,
  item,
  fate,
  loopUm,
}: Pick<FoundImplant, 'kind' | 'item' | 'fate' | 'loopUm'>): string {
  if (kind === 'coil_placed' && loopUm !== undefined) {
    if (loopUm === null) return said.coilUnsized;
    return say('implants.coilPlaced', { size: coilWords(loopUm) });
  }
  const what = devices[kind] ?? devices[item] ?? said.device.other;
  return fate === '' ? what : `${what}: ${fates[fate] ?? fate}`;
}

const dateOf = (on: string) => shortWords(on, on.slice(0, 4));

/** Return of which period the unknown lots of an answer are. */
function periodWords({ from_on = '', to_on = '' }: Pick<Search, 'from_on' | 'to_on'>): string {
  const days = { from: dateOf(from_on), until: dateOf(to_on) };
  if (from_on !== '' && to_on !== '') return say('implants.ofPeriod.both', days);
  if (from_on !== '') return say('implants.ofPeriod.from', days);
  return to_on === '' ? said.ofPeriod.all : say('implants.ofPeriod.until', days);
}

/** Return the patient in one line: name, date of birth, number. */
export function whoWords({
  name,
  bornOn,
  number,
}: Pick<FoundImplant, 'name' | 'bornOn' | 'number'>): string {
  const isDate = /^\d{4}-\d{2}-\d{2}$/.test(bornOn);
  const parts = [name, isDate ? dateOf(bornOn) : bornOn, number].filter((part) => part !== '');
  return parts.join(' · ') || said.noPatient;
}

/**
 * Return the label in one line; a lot that nobody knows is said, never left out, and one that nobody
 * entered is another (HAZ-46).
 */
export function labelLine({
  lot,
  isLotMissing = false,
  serial,
  identifier,
  expiresOn,
}: Pick<FoundImplant, 'lot' | 'isLotMissing' | 'serial' | 'identifier' | 'expiresOn'>): string {
  const bare = isLotMissing ? said.lotMissing : said.lotUnknown;
  return [
    lot === '' ? bare : say('implants.lotNamed', { lot }),
    serial && say('implants.serialNamed', { serial }),
    expiresOn && say('implants.expiresNamed', { on: dateOf(expiresOn) }),
    identifier && say('implants.identifierNamed', { identifier }),
  ]
    .filter((one) => one !== '')
    .join(' · ');
}

/** Return what a person has to know of a find before acting on it, one sentence each. */
export function remarksOf({
  differs,
  marks: found,
}: Pick<FoundImplant, 'differs' | 'marks'>): string[] {
  const others = differs.map((one) => say('implants.differs', { what: differing[one] ?? one }));
  return [...others, ...found.map((mark) => marks[mark] ?? mark)];
}

/** Return day and device on which it was recorded. */
export function whenWords({ on, site, recordedOn }: FoundImplant): string {
  return [
    on === '' ? said.noDay : dayWords(on),
    site,
    recordedOn && say('implants.recordedOn', { device: recordedOn }),
  ]
    .filter((one) => one !== '')
    .join(' · ');
}
