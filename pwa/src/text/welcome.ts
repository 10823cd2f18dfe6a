/** Every sentence of the Welcome screen; CAU-01 of the safety requirements. */
import { words } from './say';

export const welcome = words('welcome');

/** Sentences of the choice of a language. */
export const languageWords = words('language');
