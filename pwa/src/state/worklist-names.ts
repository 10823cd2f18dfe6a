/** Which people on the list have names that are taken for each other (SOFT-11). Pure. */
import { areNamesSimilar } from './case-list';
import { foldText, soundOf } from './name-sounds';
import { type RecordState, textOf } from './shown';

/**
 * So many family names alike are a mark; where more are, only people whose given name or day of
 * birth is alike too. A mark on every row would be none. Unit setting (project default).
 */
export const FEW_ALIKE = 3;
/** A shorter sound brings together Lee, Low and Lau. */
const LEAST_SOUND = 3;
/** Of a given name beside a family name that is alike already, less is enough: Anna and Ana. */
const LEAST_GIVEN_SOUND = 2;
/** Names shorter than this are alike only when they are the same, as in the list of cases. */
const LEAST_LETTERS = 4;

/** What of a person is compared, worked out once. */
interface Known {
  patient: RecordState;
  given: string;
  givenSound: string;
  bornOn: string;
}

/** Finds people alike without comparing everybody with everybody. */
export class SimilarNames {
  readonly #families = new Map<string, Known[]>();
  /** Family names by what they have in common: a letter left out, or a sound. */
  readonly #keys = new Map<string, string[]>();

  /** @param patients - everybody who is compared with */
  constructor(patients: Iterable<RecordState>) {
    for (const patient of patients) {
      if (patient.isEnteredInError) continue;
      const family = familyOf(patient);
      if (family === '') continue;
      const same = this.#families.get(family);
      if (same !== undefined) same.push(knownOf(patient));
      else {
        this.#families.set(family, [knownOf(patient)]);
        for (const key of keysOf(family)) {
          const sharing = this.#keys.get(key);
          if (sharing === undefined) this.#keys.set(key, [family]);
          else sharing.push(family);
        }
      }
    }
  }

  /** Return the others whose name is taken for this one's. */
  of(patient: RecordState): RecordState[] {
    const own = familyOf(patient);
    if (own === '') return [];
    const near = new Set<string>([own]);
    for (const key of keysOf(own)) for (const family of this.#keys.get(key) ?? []) near.add(family);
    const alike = [...near].flatMap((family) => {
      const people = this.#families.get(family) ?? [];
      const isAlike = soundsAlike(own, family) || areNamesSimilar(patient, people[0]?.patient);
      return isAlike ? people.filter((other) => other.patient.record !== patient.record) : [];
    });
    const itself = knownOf(patient);
    const marked = alike.length <= FEW_ALIKE ? alike : alike.filter((one) => isNear(itself, one));
    return marked.map((one) => one.patient);
  }
}

function knownOf(patient: RecordState): Known {
  const given = foldText(textOf(patient, 'given_name'));
  return { patient, given, givenSound: soundOf(given), bornOn: textOf(patient, 'born_on') };
}

const familyOf = (patient: RecordState) => foldText(textOf(patient, 'family_name'));

function keysOf(family: string): string[] {
  const sound = soundOf(family);
  const keys = sound.length >= LEAST_SOUND ? [`#${sound}`] : [];
  if (family.length < LEAST_LETTERS) return keys;
  // Two names one letter apart are the same once the right letter is left out of each.
  const shorter = new Set([family]);
  for (let place = 0; place < family.length; place += 1) {
    shorter.add(family.slice(0, place) + family.slice(place + 1));
  }
  return [...keys, ...shorter];
}

function soundsAlike(one: string, other: string): boolean {
  const sound = soundOf(one);
  return sound.length >= LEAST_SOUND && sound === soundOf(other);
}

function isNear(one: Known, other: Known): boolean {
  if (one.bornOn !== '' && one.bornOn === other.bornOn) return true;
  if (one.given === '' || other.given === '') return false;
  if (one.given.startsWith(other.given) || other.given.startsWith(one.given)) return true;
  return one.givenSound.length >= LEAST_GIVEN_SOUND && one.givenSound === other.givenSound;
}
