// All views beside the first card, fetched together once that stands there.
import { Around } from "./around.mjs";
import { Closing } from "./closing.mjs";
import { Drawing } from "./drawing.mjs";
import { Keys } from "./keys.mjs";
import { List } from "./list.mjs";
import { Opening } from "./opening.mjs";
import { Card, Sheet } from "./papers.mjs";
import { Priors } from "./priors.mjs";
import { Shop } from "./shop.mjs";
import { Suspects } from "./suspects.mjs";

export const views = { Around, Card, Closing, Drawing, Keys, List, Opening, Priors, Sheet, Shop, Suspects };
