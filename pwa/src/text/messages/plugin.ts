/** Makes the catalogues ready while the app is built: sentences in, parts of sentences out. */
import { createHash } from 'node:crypto';
import { readFileSync } from 'node:fs';
import { basename } from 'node:path';
import { fileURLToPath } from 'node:url';
import type { Plugin } from 'vite';
import { compileSource, compileTranslation, type SafetyList, type Written } from './compiler.ts';

const FOLDER = fileURLToPath(new URL('.', import.meta.url));
const CATALOGUE = /\/text\/messages\/([a-z]{2})\.json$/;

/** One language as it is written down. */
export interface Catalogue {
  /** Who reviewed it as a whole; "" for a draft. */
  readonly reviewed_by: string;
  readonly messages: Written;
}

/** Return what lies in a file beside this one. */
export function readBeside<Content>(name: string): Content {
  return JSON.parse(readFileSync(FOLDER + name, 'utf8')) as Content;
}

export const hash = (text: string) => createHash('sha256').update(text).digest('hex');

/** Compiles each catalogue; English whole, others against English and the list of reviews. */
export const messagesPlugin: Plugin = {
  name: 'crura-messages',
  enforce: 'pre',
  transform(code, id) {
    if (!CATALOGUE.test(id)) return null;
    const written = JSON.parse(code) as Catalogue;
    const language = basename(id, '.json');
    if (language === 'en') {
      return { code: JSON.stringify({ ...written, messages: compileSource(written.messages) }) };
    }
    for (const name of ['en.json', 'safety.json']) this.addWatchFile(FOLDER + name);
    const messages = compileTranslation(
      readBeside<Catalogue>('en.json').messages,
      written.messages,
      language,
      readBeside<SafetyList>('safety.json'),
      hash,
    );
    return { code: JSON.stringify({ ...written, messages }) };
  },
};
