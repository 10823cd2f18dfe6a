/** The request of `stock-counts`: its keys, types and bounds. Twin of `stock_request.py`. */
import { ShapeError } from './errors';
import {
  civilDate,
  flag,
  listOf,
  naturalNumber,
  oneOf,
  type Reader,
  shape,
  text,
  wholeNumber,
} from './shapes';

/** Beyond it a slip of the finger; any number of them still adds up exactly. */
export const MOST_PACKAGES = 10_000;

export const kindOfItem = oneOf('coil', 'needle', 'adhesive');

const LABEL = {
  identifier: text,
  lot: text,
  lot_unknown: flag,
  serial: text,
  expires_on: civilDate,
  struck: flag,
};

/** By how many packages a movement changes the shelf, either way. */
const readChange: Reader<number> = (content, where) => {
  const change = wholeNumber(content, where);
  if (Math.abs(change) > MOST_PACKAGES) {
    throw new ShapeError(
      `${where} must lie from -${MOST_PACKAGES} to ${MOST_PACKAGES}. Correct it.`,
    );
  }
  return change;
};

const readItem = shape(
  { id: text, item: kindOfItem },
  { identifiers: listOf(text), reorder_below: naturalNumber },
);
const readMovement = shape({ stock: text, change: readChange }, LABEL);
const readPackage = shape(
  { id: text, stock: text, fate: oneOf('open', 'placed', 'used', 'discarded', 'returned') },
  LABEL,
);
const readRecall = shape(
  {},
  {
    item: kindOfItem,
    identifier: text,
    lots: listOf(text),
    expires_from: civilDate,
    expires_to: civilDate,
  },
);

export const readStock = shape(
  {
    today_on: civilDate,
    items: listOf(readItem),
    movements: listOf(readMovement),
    packages: listOf(readPackage),
  },
  { recalls: listOf(readRecall) },
);

export type StockRead = ReturnType<typeof readStock>;
export type ItemRead = ReturnType<typeof readItem>;
export type MovementRead = ReturnType<typeof readMovement>;
export type PackageRead = ReturnType<typeof readPackage>;
export type RecallRead = ReturnType<typeof readRecall>;
