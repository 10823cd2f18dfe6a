/** The catalogues as they are written down, for tests; nothing of it reaches a tablet. */
import { compileMessage, listSentences, type SafetyList } from './compiler';
import type { Message, Part } from './message';
import { type Catalogue, readBeside } from './plugin';

export const LANGUAGES = ['de', 'es'] as const;
export const written = (language: 'en' | (typeof LANGUAGES)[number]) =>
  readBeside<Catalogue>(`${language}.json`);
export const sentencesOf = (language: 'en' | (typeof LANGUAGES)[number]) =>
  new Map(listSentences(written(language).messages));
export const safety = () => readBeside<SafetyList>('safety.json');

/** Return every English sentence in each of its forms, `place` standing for what varies. */
export function sayEnglish(place: string): { key: string; text: string }[] {
  return [...sentencesOf('en')].flatMap(([key, text]) =>
    formsOf(compileMessage(text), place).map((form) => ({ key, text: form })),
  );
}

/** Return each text that a sentence can become: one a choice of words. */
export function formsOf(message: Message, place: string): string[] {
  if (typeof message === 'string') return [message];
  return message.reduce<string[]>(
    (before, part) =>
      before.flatMap((start) => formsOfPart(part, place).map((form) => start + form)),
    [''],
  );
}

function formsOfPart(part: Part, place: string): string[] {
  if (typeof part === 'string') return [part];
  if (part === 0 || part[2] === undefined) return [place];
  return Object.values(part[2]).flatMap((inner) => formsOf(inner, place));
}
