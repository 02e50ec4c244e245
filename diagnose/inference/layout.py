"""Where everything lies in the flat arrays of a compiled network.

The engine knows one kind of step, the *projection*: each entry `k` of a source block falls on
entry `target[k]` of a smaller block. Forwards it sums, `out[target[k]] += source[k]`; backwards it
multiplies, `source[k] *= factor[target[k]]`. Separators from clique rows, families' joints from
cliques, marginals from joints, groups of equal rows of a test's table from its parents' joint:
all are projections, and evidence is one run backwards.

Where many entries fall on each target, summing waits for the same memory cell again and again.
Such a projection is also stored as runs, `out[j] = sum(source[perm[ptr[j]:ptr[j + 1]]])`.

Blocks of one `number` array hold what is constant, blocks of one `work` array what is computed;
`index` holds every `target`, `ptr` and `perm`; the integer records below say where each block
begins.
"""

from __future__ import annotations

from typing import Final

# One record per clique, parents before children.
C_ROW: Final = 0  # first row, in `work` and in `number` alike
C_ROWS: Final = 1  # how many rows
C_PARENT: Final = 2  # clique index or -1
C_ROOT: Final = 3  # clique index of the root of its tree
C_UP: Final = 4  # `work`: message to the parent, P(findings below | separator) up to a scale
C_BELIEF: Final = 5  # `work`: P(separator | findings)
C_SEPARATOR: Final = 6  # how many separator entries
C_UP_TARGET: Final = 7  # `index`: separator entry of each own row (rows are sorted by it)
C_UP_PTR: Final = 8  # `index`: the same as runs, -1 when they are short
C_DOWN_TARGET: Final = 9  # `index`: separator entry of each of the parent's rows
C_DOWN_PTR: Final = 10  # `index`: the same as runs, -1 when they are short
C_DOWN_PERM: Final = 11
C_LOW: Final = 12  # `number`: smallest of its rows
C_FIELDS: Final = 13

# One record per table: the joint of a test's parents, or the marginal of one node.
T_OUT: Final = 0  # `work`: where the result goes
T_SIZE: Final = 1  # how many entries
T_SOURCE: Final = 2  # `work`: the smallest block that holds its nodes
T_ENTRIES: Final = 3  # how many entries the source has
T_TARGET: Final = 4  # `index`: table entry of each source entry
T_PTR: Final = 5  # `index`: the same as runs, -1 when they are short
T_PERM: Final = 6  # -1 when the runs follow each other in the source
T_CLIQUE: Final = 7  # the clique its evidence multiplies into
T_INTO: Final = 8  # `index`: table entry of each row of that clique
T_ROOT: Final = 9
T_PRIOR: Final = 10  # `number`: the result without any findings
T_STATES: Final = 11  # first entry in the vector of all marginals, -1 for a joint
T_FIELDS: Final = 12

# One record per leaf, a test in most uses.
L_TABLE: Final = 0
L_GROUPS: Final = 1  # parents' combinations with equal rows form one group
L_GROUP: Final = 2  # `index`: group of each entry of the table
L_OUTCOMES: Final = 3
L_LIKELIHOOD: Final = 4  # `number`: P(outcome | group), shape (outcomes, groups)
L_ENTROPY: Final = 5  # `number`: H(leaf | group) in bits
L_STATES: Final = 6
L_ROOT: Final = 7
L_PRIOR: Final = 8  # `number`: marginal without findings, then the gain
L_FIELDS: Final = 9

# One record per finding: what it is, which table or leaf it is about, a state or an offset.
F_KIND: Final = 0
F_ABOUT: Final = 1
F_VALUE: Final = 2
F_FIELDS: Final = 3

STATE_OF_NODE: Final = 0  # about a table; value is the state
WEIGHTS_OF_NODE: Final = 1  # about a table; value is the offset of its weights
OUTCOME_OF_LEAF: Final = 2  # about a leaf; value is the outcome
WEIGHTS_OF_LEAF: Final = 3  # about a leaf; value is the offset of weights over its outcomes
WEIGHTS_OF_PARENTS: Final = 4  # about a leaf; value is the offset of weights over its table

# What-ifs on a set of beliefs: blocks of numbers per entry and what-if, and a matrix from block to
# block, `P(entry of a | entry of b)` if b is a separator, `P(entry of a, entry of b)` if it is a
# table to read. Blocks are separators, tables and, in cliques with many neighbours, their rows.
LANES: Final = 4  # what-ifs that go side by side: numbers per entry of a block

# One record per matrix.
M_FROM: Final = 0  # where block a begins, in entries
M_TO: Final = 1  # where block b begins; in a result, if it is a table to read
M_FROM_SIZE: Final = 2
M_TO_SIZE: Final = 3
M_ROW: Final = 4  # `work`: the rows over both blocks, of a clique or a separator
M_ROWS: Final = 5
M_FROM_TARGET: Final = 6  # `index`: entry of a of each row, -1 when they are the rows themselves
M_TO_TARGET: Final = 7  # `index`: the same for b
M_OLD: Final = 8  # `work`: P(entry of b | findings), -1 when b is a table to read
M_PTR: Final = 9  # `ptr`: where the numbers of each entry of b begin
M_SLOT: Final = 10  # `slot`: which of its numbers each row adds to
M_BLOCK: Final = 11  # the number of block b; -1 when it is a table to read
M_FIELDS: Final = 12
