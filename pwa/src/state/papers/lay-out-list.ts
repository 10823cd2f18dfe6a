/** The list of what is laid out before a case. Pure. Twin of `api/documents/lay_out_list.py`. */
import { headsOf } from './case-given';
import { type Block, blanks, lines, type Paper, points, table } from './paper';
import { footOf, headOf, senderOf } from './paper-head';
import { ml, type PaperWords } from './paper-words';
import {
  countIn,
  countText,
  type Parts,
  partIn,
  rowsIn,
  type ShownCase,
  textIn,
} from './shown-case';

const OF_LOT = ['expired', 'recalled', 'expiry-unknown'];
const COUNTED = ['needed', 'spare', 'on_shelf', 'short'];

/**
 * Return the list from the lines of the rules (SK12-SK17); that there is none is said.
 * Outside the stated use nothing is listed, and why is said (HAZ-13).
 */
export function writeLayOutList(shown: ShownCase, words: PaperWords): Paper {
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
        blocks: listLines(shown, words),
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

function listLines(shown: ShownCase, words: PaperWords): Block[] {
  if (shown.outside.length > 0) return [lines([words.say('report.record_only')])];
  if (shown.lay_out.length === 0) return [lines([words.say('lay_out.empty')])];
  const heads = headsOf(words, 'lay_out', ['what', ...COUNTED, 'lots', 'laid_out']);
  const rows = shown.lay_out.map((line) => cellsOf(line, words));
  const remarks = shown.lay_out.flatMap((line) =>
    rowsIn(partIn(line, 'remarks')).map((one) =>
      words.say('lay_out.remark', { what: textIn(line, 'what'), remark: sayRemark(one, words) }),
    ),
  );
  const listed = table(heads, rows, [1, 2, 3, 4]);
  return remarks.length > 0 ? [listed, points(remarks)] : [listed];
}

/** Return a remark of the rules (SK12-SK15); one of a lot names the lot. */
function sayRemark(one: Parts, words: PaperWords): string {
  const kind = textIn(one, 'kind');
  const remark = words.value('remark', kind);
  if (!OF_LOT.includes(kind)) return remark;
  return words.say('lay_out.of_lot', {
    lot: textIn(one, 'lot') || words.say('common.lot_unknown'),
    count: countText(one, 'count'),
    remark,
  });
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
  const bare = ml(countIn(line, 'amount_ul'));
  // Beside what one ampoule holds, which is part of its name, a bare amount would mislead.
  const isPure = bare !== '' && textIn(line, 'item') === 'adhesive';
  const amount = isPure ? words.say('lay_out.pure', { amount: bare }) : bare;
  return [
    [textIn(line, 'what'), amount].filter((one) => one !== '').join(', '),
    ...COUNTED.map((name) => (isCounted ? countText(line, name) : '')),
    lots.join('; '),
    countIn(line, 'laid_out')
      ? words.say('lay_out.ticked', { count: countText(line, 'laid_out') })
      : '',
  ];
}
