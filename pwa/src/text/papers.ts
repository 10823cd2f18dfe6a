/** Sentences around the papers of a case; those on paper stand in `api/documents/words/papers`. */
import type { PaperKind } from '../state/papers/paper';
import { dayWords } from '../state/surveillance-dates';
import { fieldChoices } from './record';
import { say, withMore, words } from './say';

const said = words('papers');

export const papers = withMore(said, {
  names: (kind: PaperKind): string =>
    fieldChoices('document_given', 'document').find(({ id }) => id === kind)?.words ?? kind,
  given: (paper: string) => say('papers.given', { paper }),
  givenAt: (paper: string, at: string) => {
    const instant = new Date(at);
    if (Number.isNaN(instant.getTime())) return say('papers.given', { paper });
    const two = (part: number) => String(part).padStart(2, '0');
    const on = `${instant.getFullYear()}-${two(instant.getMonth() + 1)}-${two(instant.getDate())}`;
    const time = `${two(instant.getHours())}:${two(instant.getMinutes())}`;
    return say('papers.givenAt', { paper, day: dayWords(on), time });
  },
});
