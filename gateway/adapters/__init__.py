"""Forms of export: one file each, found by discovery.

A new form is a new module in this folder that defines a class named `ADAPTER` (`gateway.adapters.base.Adapter` says
what it must offer), and a module of the same name in `gateway/mapping/forms` with its table of the mapping. It needs no
entry in any list; the contract tests apply to it by its being here.
"""

from gateway.adapters.base import Adapter, adapter_for, counts, forms

__all__ = ["Adapter", "adapter_for", "counts", "forms"]
