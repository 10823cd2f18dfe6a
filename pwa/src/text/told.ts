/** Says what storage, network and device tell by a code; see `told.ts` there. */
import { readTold, type Told, type ToldCode, type ToldValues } from '../told';
import type { Arguments } from './messages/arguments';
import { places } from './places';
import { englishOf, inEnglish, isSaidHere, isSentence, sayAs, words } from './say';

const said = words('causes');

/** What the catalogue has for each code; TypeScript holds both lists against each other. */
type Asked = {
  [Code in ToldCode]: `causes.${Code}` extends keyof Arguments
    ? Arguments[`causes.${Code}`]
    : Readonly<Record<string, never>>;
};
type IsWhole = ToldValues extends Asked ? Exclude<PlainCode, keyof typeof said> : 'values';
type PlainCode = {
  [Code in ToldCode]: `causes.${Code}` extends keyof Arguments ? never : Code;
}[ToldCode];
const _isWhole: IsWhole extends never ? true : IsWhole = true;

/**
 * Return what was told, in the language spoken now; English, marked so, where it is a sentence of
 * the unit's server, of an engine or of another version of the app.
 */
export function sayTold(text: string): string {
  const told = knownOf(text);
  if (told === null) return inEnglish(text);
  const key = `causes.${told.code}` as const;
  // A sentence that is said in English is English to its end, with one mark.
  return isSaidHere(key) ? sayAs(key, inside(told, sayTold)).trim() : inEnglish(tellEnglish(text));
}

function tellEnglish(text: string): string {
  const told = knownOf(text);
  return told === null ? text : englishOf(`causes.${told.code}`, inside(told, tellEnglish)).trim();
}

/** A newer version may have left a code in the store that this one does not know. */
function knownOf(text: string): Told | null {
  const told = readTold(text);
  return told !== null && isSentence(`causes.${told.code}`) ? told : null;
}

/** Return the values, each in words where it has some. */
function inside({ values }: Told, sayInside: (text: string) => string): Told['values'] {
  const entries = Object.entries(values).map(([name, value]) => {
    if (name === 'place') return [name, placeWords(String(value))];
    return [name, name === 'why' || name === 'also' ? sayInside(String(value)) : value];
  });
  return Object.fromEntries(entries);
}

/** Return the name of a place by its part of the address; as it is where it has none. */
function placeWords(place: string): string {
  const names: Readonly<Record<string, unknown>> = { ...places, ...places.inCase };
  const name = names[place];
  return typeof name === 'string' ? name : place;
}
