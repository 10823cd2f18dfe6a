/**
 * The language that this device speaks: chosen by a person, kept on the device, never exchanged.
 *
 * One for the whole page: sentences are asked for in many places that know no screen. Reading
 * `language.current` where something is drawn draws it anew when another is chosen.
 */
import type { RecordStore } from '../ports';
import english from '../text/messages/en.json';
import { flatten, type Message, type MessageTree } from '../text/messages/message';

/** Tags of what people are offered, English first. */
export const OFFERED = ['en', 'de', 'es'] as const;
export type Offered = (typeof OFFERED)[number];
/** Made from English, for looking at screens only; by the tags that CLDR gives such languages. */
const PSEUDO = ['en-XA', 'ar-XB'] as const;
export type LanguageTag = Offered | (typeof PSEUDO)[number];

export interface Spoken {
  readonly tag: LanguageTag;
  /** Tag for plurals, names of months and weekdays. */
  readonly rules: Offered;
  readonly direction: 'ltr' | 'rtl';
  /** False for a draft: nobody has reviewed the language as a whole. English is the source. */
  readonly isReviewed: boolean;
  readonly messages: ReadonlyMap<string, Message>;
}

interface Loaded {
  readonly reviewed_by: string;
  readonly messages: MessageTree;
}

/** The catalogue everything is held against; the build has made parts of its sentences. */
export const ENGLISH = english.messages as unknown as MessageTree;
const ENGLISH_SPOKEN: Spoken = {
  tag: 'en',
  rules: 'en',
  direction: 'ltr',
  isReviewed: true,
  messages: flatten(ENGLISH),
};
/** How each language calls itself. */
export const NAMES: Readonly<Record<Offered, string>> = {
  en: 'English',
  de: 'Deutsch',
  es: 'Español',
};
const KEPT_AS = 'language';

let current = $state.raw<Spoken>(ENGLISH_SPOKEN);

export const language = {
  get current(): Spoken {
    return current;
  },
  /** English as it is: what is not translated, or not reviewed where it matters, is said in it. */
  english: ENGLISH_SPOKEN,
};

/** Return a known tag; "en" for whatever else was kept. */
export function tagOf(content: unknown): Offered {
  return OFFERED.find((tag) => tag === content) ?? 'en';
}

/** Speak another language from now on. */
export async function speak(tag: LanguageTag): Promise<void> {
  current = await load(tag);
}

/**
 * Speak what was chosen on this device before; English where that cannot be loaded.
 *
 * @param asked - of the address: a pseudo-language for this page alone, to look at screens.
 */
export async function speakAsKept(
  store: Pick<RecordStore, 'recall'>,
  asked: string | null = null,
): Promise<void> {
  try {
    const pseudo = PSEUDO.find((tag) => tag === asked);
    await speak(pseudo ?? tagOf(await store.recall(KEPT_AS)));
  } catch {
    // A catalogue that is missing must never keep the tablet from opening.
    current = ENGLISH_SPOKEN;
  }
}

/**
 * Speak another language, from now on and after a restart.
 *
 * @returns false where it is not spoken or not kept, and will be as before after a restart.
 */
export async function choose(store: Pick<RecordStore, 'remember'>, tag: Offered): Promise<boolean> {
  try {
    await speak(tag);
    await store.remember(KEPT_AS, tag);
    return true;
  } catch {
    return false;
  }
}

async function load(tag: LanguageTag): Promise<Spoken> {
  if (tag === 'en') return ENGLISH_SPOKEN;
  if (tag === 'en-XA' || tag === 'ar-XB') {
    const { makePseudo } = await import('../text/messages/pseudo');
    const isTurned = tag === 'ar-XB';
    return {
      tag,
      rules: 'en',
      direction: isTurned ? 'rtl' : 'ltr',
      isReviewed: false,
      messages: flatten(makePseudo(ENGLISH, isTurned)),
    };
  }
  const { default: catalogue } = (await (tag === 'de'
    ? import('../text/messages/de.json')
    : import('../text/messages/es.json'))) as unknown as { default: Loaded };
  return {
    tag,
    rules: tag,
    direction: 'ltr',
    isReviewed: catalogue.reviewed_by !== '',
    messages: flatten(catalogue.messages),
  };
}
