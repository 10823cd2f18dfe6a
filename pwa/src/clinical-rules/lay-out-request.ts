/**
 * The request of `lay-out`: the plan of a case, and what the shelf holds.
 * Twin of `lay_out_request.py`.
 */
import { atMost, civilDate, listOf, oneOf, shape, text, wholeNumber } from './shapes';
import { kindOfItem } from './stock-request';

const amountUl = atMost(10_000_000);
const ampouleUl = atMost(10_000_000, 'Correct it, or leave it out.');

const readLot = shape(
  {
    on_shelf: wholeNumber,
    standing: oneOf('valid', 'near-expiry', 'expired', 'recalled', 'expiry-unknown'),
  },
  // Without a lot: packages of which nobody knows it.
  { lot: text, expires_on: civilDate },
);
const readShelfItem = shape(
  { id: text, item: kindOfItem, name: text, lots: listOf(readLot) },
  { on_shelf: wholeNumber, usable: wholeNumber, agent: text, ampoule_ul: ampouleUl },
);

export const readLayOut = shape(
  {
    targets: listOf(shape({ label: text, picks: listOf(text) })),
    shelf: listOf(readShelfItem),
  },
  {
    needle: text,
    adhesive: shape(
      { agent: oneOf('2-octyl-cyanoacrylate', 'n-butyl-2-cyanoacrylate') },
      { pure_ul: amountUl, mix_ul: amountUl },
    ),
    flush: shape(
      { media: listOf(oneOf('saline', 'sterile-water', 'dextrose-5')) },
      { flush_ul: amountUl },
    ),
    laid_out: listOf(text),
    own_lines: listOf(text),
  },
);

export type LayOutRead = ReturnType<typeof readLayOut>;
export type ShelfItemRead = ReturnType<typeof readShelfItem>;
