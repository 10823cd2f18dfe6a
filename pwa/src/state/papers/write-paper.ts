/** Writes any paper about a case. Pure. Twin of `write_paper` in `make_documents.py`. */
import type { RuleBook } from '../../clinical-rules/rule-book';
import { writeImplantCard } from './implant-card';
import { writeLayOutList } from './lay-out-list';
import type { Paper, PaperKind } from './paper';
import { choosePaperWords, type PaperWords } from './paper-words';
import { writeLeaflet } from './patient-leaflet';
import { writeReport } from './procedure-report';
import { writeReferralLetter } from './referral-letter';
import type { ShownCase } from './shown-case';

const SECTIONS: Readonly<Record<PaperKind, string>> = {
  'procedure-report': 'report',
  'referral-letter': 'letter',
  'patient-leaflet': 'leaflet',
  'implant-card': 'card',
  'lay-out-list': 'lay_out',
};

/** Return the content of a paper, the same here and on the unit server. */
export function writePaper(
  kind: PaperKind,
  shown: ShownCase,
  book: RuleBook,
  language: string,
): Paper {
  const words = choosePaperWords(language, SECTIONS[kind]);
  const mark = shown.is_training ? choosePaperWords(language, 'common').say('common.training') : '';
  return { ...write(kind, shown, book, words), mark };
}

function write(kind: PaperKind, shown: ShownCase, book: RuleBook, words: PaperWords): Paper {
  switch (kind) {
    case 'procedure-report':
      return writeReport(shown, book, words);
    case 'referral-letter':
      return writeReferralLetter(shown, words);
    case 'patient-leaflet':
      return writeLeaflet(shown, words);
    case 'implant-card':
      return writeImplantCard(shown, words);
    case 'lay-out-list':
      return writeLayOutList(shown, words);
  }
}
