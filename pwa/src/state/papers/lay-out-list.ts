/** The list of what is laid out before a case. Pure. Twin of `api/documents/lay_out_list.py`. */
import { headsOf } from './case-given';
import { blanks, lines, type Paper, table } from './paper';
import { ml, type PaperWords } from './paper-words';
import { footOf, headOf, senderOf } from './procedure-report';
import {
  countIn,
  countText,
  type Parts,
  partIn,
  rowsIn,
  type ShownCase,
  textIn,
} from './shown-case';

const COUNTED = ['needed', 'spare', 'on_shelf', 'short'];

/** Return the list from the lines of the rules (SK12-SK17); that there is none is said. */
export function writeLayOutList(shown: ShownCase, words: PaperWords): Paper {
  const heads = headsOf(words, 'lay_out', ['what', ...COUNTED, 'lots', 'laid_out']);
  const rows = shown.lay_out.map((line) => cellsOf(line, words));
  return {
    paper: 'lay-out-list',
    language: words.language,
    is_draft: words.isDraft,
    title: words.say('lay_out.title'),
    sender: senderOf(shown),
    recipient: null,
    dated: words.day(shown.on),
    head: headOf(shown, words),
    parts: [
      {
        heading: '',
        blocks: [
          rows.length > 0 ? table(heads, rows, [1, 2, 3, 4]) : lines([words.say('lay_out.empty')]),
        ],
      },
      {
        heading: '',
        blocks: [blanks([words.say('lay_out.by'), words.say('lay_out.checked')])],
      },
    ],
    faces: [],
    foot: footOf(shown, words),
  };
}

function cellsOf(line: Parts, words: PaperWords): string[] {
  const lots = rowsIn(partIn(line, 'lots')).map((lot) =>
    words.say(textIn(lot, 'expires_on') === '' ? 'lay_out.lot_bare' : 'lay_out.lot', {
      lot: textIn(lot, 'lot') || words.say('common.lot_unknown'),
      day: words.day(textIn(lot, 'expires_on')),
      take: countText(lot, 'take'),
    }),
  );
  // Of a line that no package answers nothing is counted.
  const isCounted = (partIn(line, 'stock_id') ?? null) !== null || countIn(line, 'needed') !== null;
  return [
    [textIn(line, 'what'), ml(countIn(line, 'amount_ul'))].filter((one) => one !== '').join(', '),
    ...COUNTED.map((name) => (isCounted ? countText(line, name) : '')),
    lots.join('; '),
    countIn(line, 'laid_out')
      ? words.say('lay_out.ticked', { count: countText(line, 'laid_out') })
      : '',
  ];
}
